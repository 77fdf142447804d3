"""Who may talk to the page: a browser on this machine, at the page's own address, with its key.

Any web site that a browser here has open can reach 127.0.0.1: by a name that points here (the Host header
gives it away) or by a request of its own (Origin does, for pictures and frames Sec-Fetch-Site).
Source: the checks of RFC 6454 (origin), RFC 9110, 7.2 (host) and W3C's Fetch Metadata.
"""

from __future__ import annotations

import secrets
from http.cookies import CookieError, SimpleCookie
from typing import TYPE_CHECKING
from urllib.parse import parse_qs

if TYPE_CHECKING:
    from starlette.types import ASGIApp, Message, Receive, Scope, Send

LARGEST_BYTES = 60_000_000  # A body above this is refused: a long log is some 10 MB [B].
OWN_NAMES = ("127.0.0.1", "localhost")
HEADERS = {
    "content-security-policy": "default-src 'self'; script-src 'self' 'unsafe-inline' 'unsafe-eval';"
    " style-src 'self' 'unsafe-inline'; img-src 'self' data: blob:; font-src 'self' data:; worker-src 'self'"
    " blob:; connect-src 'self'; object-src 'none'; base-uri 'self'; form-action 'self'; frame-ancestors"
    " 'none'",
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cross-origin-resource-policy": "same-origin",
}
"""Sent with every answer: nothing is loaded from elsewhere, nobody frames the page."""
RAW_HEADERS = [(name.encode(), value.encode()) for name, value in HEADERS.items()]


class _TooMuchError(Exception):
    """A body without a stated length went on for too long."""


class StartKey:
    """The key of one run of the server, in the address printed, then in a cookie: nobody else has it.

    Who lists processes sees the address that a browser is started with: its key is good for one time only.
    """

    def __init__(self, port: int) -> None:
        self._cookie = f"evenidle_{port}"
        self._key = secrets.token_urlsafe(24)
        self._once: str | None = secrets.token_urlsafe(24)
        self.path, self.path_once = f"/?key={self._key}", f"/?key={self._once}"
        """What follows the port in the address that is printed; with the key for one time only."""
        self.cookie = f"{self._cookie}={self._key}; Path=/; HttpOnly; SameSite=Strict"
        """Header of an answer that has a browser keep the key."""

    def opens(self, query: bytes) -> bool:
        """Tell whether an address bears the key; the one for one time is then used up."""
        given = parse_qs(query.decode("latin-1")).get("key", [""])[-1]
        if self._once is not None and _same(given, self._once):
            self._once = None
            return True
        return _same(given, self._key)

    def is_known(self, cookies: list[str]) -> bool:
        """Tell whether a browser has kept the key."""
        for text in cookies:
            try:
                kept = SimpleCookie(text).get(self._cookie)
            except CookieError:
                continue  # another page's cookies
            if kept is not None and _same(kept.value, self._key):
                return True
        return False


def _same(given: str, key: str) -> bool:
    """Compare in a time that does not tell how much of it was right."""
    return secrets.compare_digest(given.encode(), key.encode())


class Guard:
    """Lets through what comes from the page itself."""

    def __init__(self, app: ASGIApp, port: int, key: StartKey, largest_bytes: int = LARGEST_BYTES) -> None:
        self._app, self._key = app, key
        self._hosts = {f"{name}:{port}" for name in OWN_NAMES}
        if port == 80:
            self._hosts |= set(OWN_NAMES)
        self._origins = {f"http://{host}" for host in self._hosts}
        self._largest = largest_bytes
        self._too_large = 413, f"Too large; allowed are {largest_bytes // 1_000_000} MB."

    def refusal(self, headers: list[tuple[bytes, bytes]]) -> tuple[int, str] | None:
        """Say why a request is refused."""
        from starlette.datastructures import Headers

        named = Headers(raw=[(name, value.strip().lower()) for name, value in headers])
        if len(named.getlist("host")) != 1 or named["host"] not in self._hosts:
            return 400, "This page answers only at its own address on this machine."
        own_sites = {"same-origin", "none"}
        if not self._origins.issuperset(named.getlist("origin")) or not own_sites.issuperset(
            named.getlist("sec-fetch-site")
        ):
            return 403, "This page does not answer to other sites."
        if any(not n.isdigit() or int(n) > self._largest for n in named.getlist("content-length")):
            return self._too_large
        return None

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on, or refuse it."""
        from starlette.responses import RedirectResponse

        if scope["type"] not in ("http", "websocket"):
            await self._app(scope, receive, send)
            return
        refused = self.refusal(list(scope["headers"]))
        cookies = [v.decode("latin-1") for k, v in scope["headers"] if k == b"cookie"]
        if refused is None and scope["type"] == "http" and self._key.opens(_query(scope)):
            # The browser keeps the key and goes on to the address without it.
            kept = {"set-cookie": self._key.cookie, "cache-control": "no-store", **HEADERS}
            await RedirectResponse("/", 303, kept)(scope, receive, send)
            return
        if refused is None and not self._key.is_known(cookies):
            refused = (403, "Open the page by the address that 'evenidle page' printed.")
        if refused is not None:
            await _refuse(scope, receive, send, *refused)
        elif scope["type"] == "websocket":
            await self._app(scope, receive, send)
        else:
            # As from a browser that takes answers as they are.
            sent = [(name, value) for name, value in scope["headers"] if name != b"accept-encoding"]
            await self._pass_on({**scope, "headers": sent}, receive, send)

    async def _pass_on(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Count the body, and add our headers to the answer."""
        taken, begun = 0, False

        async def counted() -> Message:
            nonlocal taken
            message = await receive()
            taken += len(message.get("body", b""))
            if taken > self._largest:
                raise _TooMuchError
            return message

        async def with_headers(message: Message) -> None:
            nonlocal begun
            if message["type"] == "http.response.start":
                begun = True
                message["headers"] = [*message.get("headers", []), *RAW_HEADERS]
            await send(message)

        try:
            await self._app(scope, counted, with_headers)
        except _TooMuchError:
            if not begun:
                await _refuse(scope, receive, send, *self._too_large)


def _query(scope: Scope) -> bytes:
    first = scope.get("path") == "/" and scope.get("method") == "GET"
    return bytes(scope.get("query_string", b"")) if first else b""


async def _refuse(scope: Scope, receive: Receive, send: Send, status: int, reason: str) -> None:
    if scope["type"] == "websocket":
        await receive()
        await send({"type": "websocket.close", "code": 1008, "reason": reason})
        return
    from starlette.responses import PlainTextResponse

    refused = PlainTextResponse(reason, status, {"connection": "close", **HEADERS})
    await refused(scope, receive, send)
