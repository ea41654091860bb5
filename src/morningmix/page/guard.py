"""Who may talk to the server: the browser that was given the address, from the server's own pages, and nobody else.

A page of any other site can send requests to this computer, and a name that it owns can be made to point here. So every
request needs a cookie that only the first address gives, the very host that was printed, and no other page as its
origin. What goes out may only load what comes from here, and runs nothing that stands in a page.
"""

from __future__ import annotations

import secrets
from collections.abc import Iterable
from urllib.parse import parse_qs

from starlette.datastructures import Headers, MutableHeaders  # noqa: TID251
from starlette.responses import PlainTextResponse, RedirectResponse, Response  # noqa: TID251
from starlette.types import ASGIApp, Message, Receive, Scope, Send  # noqa: TID251

HOST = "127.0.0.1"
MOST_BYTES = 1_000_000
"""Largest body of a request: as for every text that people write."""

POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; media-src 'self'; "
    "connect-src 'self'; form-action 'none'; base-uri 'none'; frame-ancestors 'none'"
)
_HEADERS = {
    "Content-Security-Policy": POLICY,
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cache-Control": "no-store",
}


class Guard:
    """Lets requests through to `app` that carry the cookie, and turns the first address into the cookie."""

    def __init__(self, app: ASGIApp, *, port: int, token: str) -> None:
        self._app, self._token = app, token
        self._host = f"{HOST}:{port}"
        self._origin = f"http://{self._host}"
        # Cookies do not tell ports apart; two rehearsals may be open at a time.
        self._cookie_name = f"morningmix-{port}"
        self._cookie = secrets.token_urlsafe(32)

    @property
    def address(self) -> str:
        """The first address, which opens the page."""
        return f"{self._origin}/?key={self._token}"

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer a request."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] != "http":
            await send({"type": "websocket.close", "code": 1008})
            return
        headers = Headers(scope=scope)
        refusal = self._refusal(scope, headers)
        if refusal is not None:
            await refusal(scope, receive, _with_headers(send))
            return
        await self._app(scope, _bounded(receive), _with_headers(send))

    def _refusal(self, scope: Scope, headers: Headers) -> Response | None:
        """Why a request is not answered, or the way from the first address to the page; None: it is answered."""
        method = scope["method"]
        if method not in ("GET", "HEAD", "POST"):
            return _no(405, "Not a way to talk to this page.")
        if headers.getlist("host") != [self._host]:
            return _no(403, "This address is not the one that was printed.")
        origins = headers.getlist("origin")
        if any(origin != self._origin for origin in origins) or (method == "POST" and not origins):
            return _no(403, "Another page sent this, so nothing was done.")
        if headers.get("sec-fetch-site", "none") not in ("none", "same-origin"):
            return _no(403, "Another page sent this, so nothing was done.")
        if method == "POST" and headers.get("content-type", "").partition(";")[0].strip() != "application/json":
            return _no(415, "Only JSON is read here.")
        length = headers.get("content-length", "0")
        if not length.isdecimal() or int(length) > MOST_BYTES:
            return _no(413, "That is too much at once.")
        keys = parse_qs(scope["query_string"].decode("latin-1")).get("key", [])
        if method == "GET" and scope["path"] == "/" and keys:
            return self._welcome() if _same([self._token], keys) else _no(403, _CLOSED)
        if not _same([self._cookie], _cookies(headers, self._cookie_name)):
            return _no(403, _CLOSED)
        return None

    def _welcome(self) -> Response:
        """To the page, under an address without the token."""
        response = RedirectResponse("/", status_code=303)
        response.set_cookie(self._cookie_name, self._cookie, path="/", httponly=True, samesite="strict")
        return response


_CLOSED = "This page is closed to you. Open the address that morningmix open has printed."


def _same(wanted: Iterable[str], given: list[str]) -> bool:
    return len(given) == 1 and all(secrets.compare_digest(one.encode(), given[0].encode()) for one in wanted)


def _cookies(headers: Headers, name: str) -> list[str]:
    pairs = (pair.strip().partition("=") for line in headers.getlist("cookie") for pair in line.split(";"))
    return [value for key, _, value in pairs if key == name]


def _no(status: int, says: str) -> Response:
    return PlainTextResponse(says, status_code=status)


def _with_headers(send: Send) -> Send:
    async def sending(message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = MutableHeaders(scope=message)
            for name, value in _HEADERS.items():
                headers.setdefault(name, value)
        await send(message)

    return sending


def _bounded(receive: Receive) -> Receive:
    """A body whose length was not said ends where it grows too long."""
    got = 0

    async def receiving() -> Message:
        nonlocal got
        message = await receive()
        got += len(message.get("body", b""))
        return message if got <= MOST_BYTES else {"type": "http.disconnect"}

    return receiving
