"""Around every request: which host was meant, how much may come, and what a browser may do with it.

Plain ASGI, so that it holds for streams and files too.
"""

from __future__ import annotations

import asyncio
import ipaddress
from collections.abc import Awaitable, Callable, MutableMapping
from typing import Any, Final, TypeAlias
from urllib.parse import urlsplit

import structlog
from starlette.datastructures import Headers, MutableHeaders
from starlette.exceptions import HTTPException
from starlette.responses import PlainTextResponse

from poller.model import limits
from poller.site.settings import Page

log = structlog.get_logger()
Scope: TypeAlias = MutableMapping[str, Any]
Message: TypeAlias = MutableMapping[str, Any]
Receive: TypeAlias = Callable[[], Awaitable[Message]]
Send: TypeAlias = Callable[[Message], Awaitable[None]]
App: TypeAlias = Callable[[Scope, Receive, Send], Awaitable[None]]

POLICY: Final = "; ".join(
    (
        "default-src 'none'",
        "script-src 'self'",
        "style-src 'self'",
        "img-src 'self'",
        "connect-src 'self'",
        "form-action 'self'",
        "base-uri 'none'",
        "frame-ancestors 'none'",
    )
)
# no Strict-Transport-Security: it would bind every other port of the machine too
HEADERS: Final = {
    "content-security-policy": POLICY,
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "referrer-policy": "same-origin",  # with none, a form of ours would say that it is of nowhere
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), geolocation=(), microphone=(), payment=(), usb=()",
}
CLOSE: Final = {"connection": "close"}
READING: Final = ("GET", "HEAD", "OPTIONS")


class Guard:
    """page: the settings in force; None: as if on loopback."""

    def __init__(self, app: App, page: Callable[[], Page | None]) -> None:
        self._app = app
        self._page = page

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            return
        headers = Headers(scope=scope)
        whole = False

        async def dressed(message: Message) -> None:
            nonlocal whole
            if message["type"] == "http.response.start":
                _dress(message)
            else:
                whole = not message.get("more_body", False)
            await send(message)

        refused = self._refused(scope["method"], headers)
        if refused is not None:
            await refused(scope, receive, dressed)
            return
        try:
            await self._app(scope, _bounded(receive), dressed)
        except Exception:
            # Starlette has answered already, and says nothing of how; a stream that broke is cut
            log.exception("page_failed", path=repr(scope["path"])[: limits.SENTENCE_TEXT_MAX])
            if not whole:
                raise

    def _refused(self, method: str, headers: Headers) -> PlainTextResponse | None:
        host = headers.get("host", "")
        if not _meant(host, self._page()):
            return PlainTextResponse(
                "no such host is served here\n"
                "    mend: add the name to page: names: in the site file\n",
                421,
            )
        length = headers.get("content-length", "0")
        if not length.isdigit() or int(length) > limits.PAGE_BODY_OCTETS:
            return PlainTextResponse("too long\n", 413, CLOSE)
        if method in READING and (length != "0" or "transfer-encoding" in headers):
            return PlainTextResponse("nothing is to come with this\n", 400, CLOSE)
        if method not in READING and _from_elsewhere(headers, host):
            return PlainTextResponse("another site may not ask for this\n", 403)
        return None


def _meant(host: str, page: Page | None) -> bool:
    """The name in the browser is one of ours: another site's name may be made to lead here."""
    name = urlsplit(f"//{host}").hostname if _parts(host) else None
    if name is None:
        return False
    if page is None or page.on_loopback:
        return _is_loopback(name) or (page is not None and name in map(str.lower, page.names))
    return not page.names or name in {page.host, *map(str.lower, page.names)} or _is_loopback(name)


def _parts(host: str) -> bool:
    try:
        urlsplit(f"//{host}").port  # noqa: B018 - it is read for the error
    except ValueError:
        return False
    return True


def _is_loopback(name: str) -> bool:
    try:
        return ipaddress.ip_address(name).is_loopback
    except ValueError:
        return name == "localhost"


def _from_elsewhere(headers: Headers, host: str) -> bool:
    """A browser says where a request comes from; what is none has no cookie that it was given."""
    site, origin = headers.get("sec-fetch-site"), headers.get("origin")
    if site is not None and site not in ("same-origin", "none"):
        return True
    return origin is not None and origin.partition("://")[2].lower() != host.lower()


def _dress(message: Message) -> None:
    told = MutableHeaders(scope=message)
    for name, value in HEADERS.items():
        told[name] = value
    told.setdefault("cache-control", "no-store")


def _bounded(receive: Receive) -> Receive:
    """The body, in so much time and of so many octets; what comes after it is waited for."""
    octets, whole = 0, False

    async def bounded() -> Message:
        nonlocal octets, whole
        if whole:
            return await receive()
        try:
            async with asyncio.timeout(limits.PAGE_BODY_S):
                message = await receive()
        except TimeoutError:
            raise HTTPException(408, "too slow", CLOSE) from None
        octets += len(message.get("body", b""))
        if octets > limits.PAGE_BODY_OCTETS:
            raise HTTPException(413, "too long", CLOSE)
        whole = not message.get("more_body", False)
        return message

    return bounded
