"""The few files of our own that a browser asks for; read once, nothing else is served."""

from __future__ import annotations

import hashlib
from importlib.resources import files
from typing import Final

from fastapi import APIRouter, HTTPException, Request
from fastapi.responses import Response

KINDS: Final = {
    "css": "text/css; charset=utf-8",
    "js": "text/javascript; charset=utf-8",
    "svg": "image/svg+xml",
}
router = APIRouter()


def _read() -> dict[str, tuple[bytes, str, str]]:
    """Name to octets, kind and mark."""
    found = {}
    for one in files("poller.web").joinpath("static").iterdir():
        octets = one.read_bytes()
        mark = f'"{hashlib.sha256(octets).hexdigest()[:32]}"'
        found[one.name] = octets, KINDS[one.name.rsplit(".", 1)[1]], mark
    return found


FILES: Final = _read()


@router.get("/static/{name}")
async def file(name: str, request: Request) -> Response:
    if name not in FILES:
        raise HTTPException(404, "no such file")
    octets, kind, mark = FILES[name]
    headers = {"etag": mark, "cache-control": "no-cache"}  # asked each time, sent when it is new
    if request.headers.get("if-none-match") == mark:
        return Response(status_code=304, headers=headers)
    return Response(octets, media_type=kind, headers=headers)
