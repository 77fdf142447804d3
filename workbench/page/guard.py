"""Who may talk to the page: a browser on this machine, at the page's own address.

A page on 127.0.0.1 can be reached by any web site that a browser on this machine has open: by a
name that is made to point here (the Host header gives it away), or by a request from the site
itself (the Origin header does).  Both are refused, for sockets too.
Source: the checks of RFC 6454 (origin) and RFC 9110, 7.2 (host).
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable, MutableMapping
from typing import Any

LARGEST_BYTES = 60_000_000
"""A body above this is refused: a long log is some 10 MB [B]."""
OWN_NAMES = ("127.0.0.1", "localhost")
HEADERS = (
    (
        b"content-security-policy",
        (
            b"default-src 'self'; script-src 'self' 'unsafe-inline' 'unsafe-eval'; style-src 'self'"
            b" 'unsafe-inline'; img-src 'self' data: blob:; font-src 'self' data:;"
            b" worker-src 'self' blob:; connect-src 'self'; object-src 'none'; base-uri 'self';"
            b" form-action 'self'; frame-ancestors 'none'"
        ),
    ),
    (b"x-content-type-options", b"nosniff"),
    (b"referrer-policy", b"no-referrer"),
    (b"cross-origin-resource-policy", b"same-origin"),
)
"""Sent with every answer: nothing is loaded from elsewhere, nobody frames the page."""

Scope = MutableMapping[str, Any]
Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]


class _TooMuchError(Exception):
    """A body without a stated length went on for too long."""


class Guard:
    """Lets through what comes from the page itself.

    Parameters
    ----------
    app : callable
        What is guarded, by the ASGI convention.
    port : int
        Port on which it is served.
    largest_bytes : int
        Largest body of a request [B].
    """

    def __init__(self, app: App, port: int, largest_bytes: int = LARGEST_BYTES) -> None:
        self._app = app
        self._hosts = {f"{name}:{port}" for name in OWN_NAMES}
        if port == 80:
            self._hosts |= set(OWN_NAMES)
        self._origins = {f"http://{host}" for host in self._hosts}
        self._largest = largest_bytes

    def refusal(self, headers: list[tuple[bytes, bytes]]) -> tuple[int, str] | None:
        """Say why a request is refused.

        Gives status and reason; None where the request may pass.
        """
        named: dict[bytes, list[str]] = {}
        for name, value in headers:
            named.setdefault(name, []).append(value.decode("latin-1").strip().lower())
        if len(named.get(b"host", [])) != 1 or named[b"host"][0] not in self._hosts:
            return 400, "This page answers only at its own address on this machine."
        if any(origin not in self._origins for origin in named.get(b"origin", [])):
            return 403, "This page does not answer to other sites."
        for length in named.get(b"content-length", []):
            if not length.isdigit() or int(length) > self._largest:
                return 413, f"Too large; allowed are {self._largest // 1_000_000} MB."
        return None

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on, or refuse it."""
        if scope["type"] not in ("http", "websocket"):
            await self._app(scope, receive, send)
            return
        refused = self.refusal(list(scope["headers"]))
        if refused is not None:
            await _refuse(scope, receive, send, *refused)
        elif scope["type"] == "websocket":
            await self._app(scope, receive, send)
        else:
            await self._pass_on(_uncompressed(scope), receive, send)

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
                message["headers"] = [*message.get("headers", []), *HEADERS]
            await send(message)

        try:
            await self._app(scope, counted, with_headers)
        except _TooMuchError:
            if not begun:
                reason = f"Too large; allowed are {self._largest // 1_000_000} MB."
                await _refuse(scope, receive, send, 413, reason)


def _uncompressed(scope: Scope) -> Scope:
    """The same request from a browser that takes answers as they are.

    Within one machine compressing takes longer than it saves.
    """
    kept = [(name, value) for name, value in scope["headers"] if name != b"accept-encoding"]
    return {**scope, "headers": kept}


async def _refuse(scope: Scope, receive: Receive, send: Send, status: int, reason: str) -> None:
    if scope["type"] == "websocket":
        await receive()
        await send({"type": "websocket.close", "code": 1008, "reason": reason})
        return
    body = reason.encode()
    headers = [
        (b"content-type", b"text/plain; charset=utf-8"),
        (b"content-length", str(len(body)).encode()),
        (b"connection", b"close"),
        *HEADERS,
    ]
    await send({"type": "http.response.start", "status": status, "headers": headers})
    await send({"type": "http.response.body", "body": body})
