"""What holds for every request: which host was meant, how much may come, and the headers."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator

import httpx
import pytest
from fastapi.routing import APIRoute
from structlog.testing import capture_logs

from poller.edges.commands import COMMANDS
from poller.model import limits
from poller.model.users import Role
from poller.site.settings import Page as Settings
from poller.site.settings import PageTls
from poller.web import sign_in
from poller.web.app import routes
from poller.web.views import VIEWS
from tests.trials.virtual_loop import VirtualLoop
from tests.web.house import House, form_of

TLS = PageTls(certificate="c", key="k")
LOOPBACK = Settings(names=("roll.example",))
NETWORK = Settings(host="10.1.2.3", tls=TLS, names=("Roll.example",))
ANY_NAME = Settings(host="0.0.0.0", tls=TLS)

HOSTS = """
LOOPBACK  127.0.0.1:8420     200
LOOPBACK  localhost:8420     200
LOOPBACK  [::1]:8420         200
LOOPBACK  roll.example       200
LOOPBACK  eve.example:8420   421   # another site's name that was made to lead here
LOOPBACK  10.1.2.3:8420      421
LOOPBACK  127.0.0.1.eve.example  421
LOOPBACK  [::1               421
LOOPBACK  localhost:x        421
NETWORK   10.1.2.3:8420      200
NETWORK   roll.example:8420  200
NETWORK   eve.example        421
ANY_NAME  station-pc:8420    200   # nothing says by which names people open it
"""


@pytest.mark.parametrize("line", HOSTS.strip().splitlines())
async def test_only_our_own_names_are_answered(house: House, line: str) -> None:
    settings, host, status = line.split("#", maxsplit=1)[0].split()
    house.settings = {"LOOPBACK": LOOPBACK, "NETWORK": NETWORK, "ANY_NAME": ANY_NAME}[settings]
    async with house.browser() as client:
        answer = await client.get("/health", headers={"host": host})
        assert answer.status_code == int(status)


# OWASP, HTTP Headers Cheat Sheet, and CSP Level 3, both from memory.
HEADERS = {
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
}
PATHS = ["/relays", "/health", "/static/page.js", "/none", "/api/v1/none", "/sign-in"]


@pytest.mark.parametrize("path", PATHS)
async def test_every_answer_carries_the_usual_headers(house: House, path: str) -> None:
    async with house.browser() as client:
        answer = await client.get(path)
    for name, value in HEADERS.items():
        assert answer.headers[name] == value
    policy = dict(
        part.strip().split(" ", 1) for part in answer.headers["content-security-policy"].split(";")
    )
    assert policy["default-src"] == "'none'"
    assert policy["script-src"] == policy["style-src"] == "'self'"
    assert "unsafe" not in answer.headers["content-security-policy"]
    assert policy["frame-ancestors"] == policy["base-uri"] == "'none'"
    assert "server" not in answer.headers


async def test_what_people_see_is_kept_nowhere(house: House) -> None:
    async with house.browser() as client:
        assert (await client.get("/relays")).headers["cache-control"] == "no-store"


async def test_a_file_that_a_browser_has_is_not_sent_again(house: House) -> None:
    async with house.browser() as client:
        first = await client.get("/static/page.css")
        again = await client.get(
            "/static/page.css", headers={"if-none-match": first.headers["etag"]}
        )
        assert (first.status_code, again.status_code, again.content) == (200, 304, b"")


@pytest.mark.parametrize("name", ["../app.py", "..%2fapp.py", "page.css/", "none.css"])
async def test_no_other_file_is_served(house: House, name: str) -> None:
    async with house.browser() as client:
        assert (await client.get(f"/static/{name}")).status_code in (404, 307)


# Nothing from elsewhere. Fetch Metadata Request Headers and Fetch standard, from memory.
ELSEWHERE = [
    {"sec-fetch-site": "cross-site"},
    {"sec-fetch-site": "same-site"},
    {"origin": "https://eve.example"},
    {"origin": "null"},
    {"origin": "http://127.0.0.1:9999"},  # another program of this machine
]


@pytest.mark.parametrize("headers", ELSEWHERE, ids=str)
async def test_another_site_can_ask_for_nothing(house: House, headers: dict[str, str]) -> None:
    house.add("ute", "operator")
    async with house.browser("ute") as client:
        answer = await client.post("/api/v1/commands/pause", json={}, headers=headers)
        assert (answer.status_code, answer.text) == (403, "another site may not ask for this\n")


async def test_our_own_page_may_ask(house: House) -> None:
    house.add("ute", "engineer")
    headers = {"sec-fetch-site": "same-origin", "origin": "http://127.0.0.1:8420"}
    async with house.browser("ute") as client:
        answer = await client.post(
            "/api/v1/commands/pause", json={"relay": "q01-main1", "why": "x"}, headers=headers
        )
        assert answer.status_code == 200


# How much may come.


async def test_a_long_body_is_refused_by_what_it_says(house: House) -> None:
    async with house.browser() as client:
        answer = await client.post("/sign-in", content=b"x" * (limits.PAGE_BODY_OCTETS + 1))
        assert answer.status_code == 413


async def test_a_long_body_is_refused_by_what_it_is(house: House) -> None:
    async def pieces() -> AsyncIterator[bytes]:
        for _ in range(limits.PAGE_BODY_OCTETS // 1_000 + 1):
            yield b"x" * 1_000

    async with house.browser() as client:
        answer = await client.post("/sign-in", content=pieces())
        assert answer.status_code == 413


async def test_nothing_is_to_come_with_a_question(house: House) -> None:
    async with house.browser() as client:
        answer = await client.request("GET", "/relays", content=b"x")
        assert answer.status_code == 400


def test_a_body_that_never_ends_is_given_up(house: House) -> None:
    """On virtual time: no test waits."""
    told: list[int] = []

    async def ask() -> None:
        async with house.browser():
            assert house.app is not None

        async def never() -> dict[str, object]:
            await asyncio.sleep(10 * limits.PAGE_BODY_S)
            return {"type": "http.request", "body": b"", "more_body": True}

        async def send(message: dict[str, object]) -> None:
            if message["type"] == "http.response.start":
                told.append(message["status"])  # type: ignore[arg-type]

        scope = {
            "type": "http",
            "http_version": "1.1",
            "method": "POST",
            "scheme": "http",
            "path": "/sign-in",
            "raw_path": b"/sign-in",
            "root_path": "",
            "query_string": b"",
            "headers": [(b"host", b"localhost")],
            "server": ("localhost", 8420),
            "client": ("127.0.0.1", 1),
        }
        await house.app(scope, never, send)  # type: ignore[arg-type]

    with asyncio.Runner(loop_factory=VirtualLoop) as runner:
        runner.run(ask())
    assert told == [408]


async def test_what_goes_wrong_says_nothing_of_how(
    house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken() -> dict[str, object]:
        raise RuntimeError("secret of the inside")

    monkeypatch.setattr(house, "live", broken)  # no mapping any more
    house.app = None
    async with house.browser() as client:
        with capture_logs() as logged:
            answer = await client.get("/relays")
    assert (answer.status_code, "secret" in answer.text) == (500, False)
    assert [line["event"] for line in logged] == ["page_failed"]


async def test_a_form_of_another_session_does_nothing(house: House) -> None:
    house.add("ute", "engineer")
    house.add("eve", "engineer")
    async with house.browser("eve") as eve, house.browser("ute") as ute:
        theirs = form_of((await eve.get("/about")).text)
        told = {"form": theirs, "relay": "q01-main1", "why": "x"}
        answer = await ute.post("/do/pause", data=told)
        assert (answer.status_code, house.asked) == (403, [])


def routes_that_change() -> list[tuple[str, str]]:
    """Method and path of every route of the page but those by which somebody signs in."""
    views = [sign_in.views, *(view.router for view in VIEWS)]
    of_views = [route for router in views for route in router.routes if isinstance(route, APIRoute)]
    found = {(method, route.path) for route in of_views for method in route.methods}
    for path, ways in routes(COMMANDS, "0").openapi()["paths"].items():
        found |= {(method.upper(), path) for method in ways}
    found = {(method, path) for method, path in found if method not in ("GET", "HEAD")}
    assert len(found) > 30
    return sorted(found - {("POST", "/sign-in"), ("POST", "/api/v1/session")})


@pytest.mark.parametrize(("method", "path"), routes_that_change(), ids=str)
async def test_nothing_is_changed_by_who_has_only_the_cookie(
    house: House, method: str, path: str
) -> None:
    """OWASP, Cross-Site Request Forgery Prevention, synchronizer token; from memory."""
    house.add("ute", *Role)
    asks = {"POST /do/{command}": "/do/pause", "POST /users/{act}": "/users/add"}
    where = asks.get(f"{method} {path}", path).format(user="eve", relay="q01-main1")
    async with house.browser("ute") as client:
        client.headers["x-bayroll-form"] = "guessed"
        answer = await client.request(method, where, json={} if "/api/" in path else None)
        assert (answer.status_code, house.asked) == (403, [])


async def test_a_command_without_its_header_does_nothing(house: House) -> None:
    house.add("ute", "engineer")
    async with house.browser("ute") as client:
        del client.headers["x-bayroll-form"]
        answer = await client.post(
            "/api/v1/commands/pause", json={"relay": "q01-main1", "why": "x"}
        )
        assert (answer.status_code, house.asked) == (403, [])


def test_httpx_asks_as_a_browser_would() -> None:
    """What these tests rest on: the client sends the host that it was told."""
    request = httpx.Request("GET", "http://localhost:8420/", headers={"host": "eve.example"})
    assert request.headers["host"] == "eve.example"
