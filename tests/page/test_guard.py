"""The page answers only its own browser at its own address, and takes no more than it can hold."""

from __future__ import annotations

import asyncio
import http.client
from typing import Any

import pytest

from tests.page.browsing import LONGEST_WAIT_s, Served
from workbench.page.guard import Guard, StartKey

KEY = StartKey(8765)
COOKIE = KEY.cookie.partition(";")[0].encode()
OWN = [(b"host", b"127.0.0.1:8765"), (b"cookie", COOKIE)]


class Answers:
    """An application that reads everything and says yes."""

    def __init__(self) -> None:
        self.asked = 0

    async def __call__(self, scope: Any, receive: Any, send: Any) -> None:
        self.asked += 1
        if scope["type"] == "websocket":
            await send({"type": "websocket.accept"})
            return
        while (await receive()).get("more_body"):
            pass
        await send({"type": "http.response.start", "status": 200, "headers": []})
        await send({"type": "http.response.body", "body": b"yes"})


def ask(
    headers: list[tuple[bytes, bytes]],
    kind: str = "http",
    body: tuple[bytes, ...] = (b"",),
    address: str = "/",
    key: StartKey = KEY,
) -> tuple[list[dict[str, Any]], int]:
    """What is sent back, and how often the application was reached."""
    inside = Answers()
    sent: list[dict[str, Any]] = []
    left = list(body)

    async def receive() -> dict[str, Any]:
        return {"type": "http.request", "body": left.pop(0), "more_body": bool(left)}

    async def send(message: Any) -> None:
        sent.append(dict(message))

    path, _, query = address.partition("?")
    scope = {"type": kind, "headers": headers, "path": path, "query_string": query.encode()}
    scope |= {"method": "GET"} if kind == "http" else {}
    asyncio.run(Guard(inside, 8765, key, largest_bytes=1000)(scope, receive, send))
    return sent, inside.asked


@pytest.mark.parametrize("host", [b"127.0.0.1:8765", b"localhost:8765", b"LOCALHOST:8765"])
@pytest.mark.parametrize("kind", ["http", "websocket"])
def test_its_own_browser_may_pass(host: bytes, kind: str) -> None:
    sent, reached = ask([(b"host", host), (b"origin", b"http://127.0.0.1:8765"), OWN[1]], kind)
    assert reached == 1
    assert sent[0].get("status", 200) == 200


@pytest.mark.parametrize(
    "headers",
    [
        [],
        [(b"host", b"evil.example:8765")],
        [(b"host", b"127.0.0.1:8766")],
        [(b"host", b"127.0.0.1")],
        [(b"host", b"127.0.0.1:8765.evil.example")],
        [(b"host", b"127.0.0.1:8765"), (b"host", b"evil.example")],
        [(b"host", b"127.0.0.1:8765"), (b"origin", b"http://evil.example")],
        [(b"host", b"127.0.0.1:8765"), (b"origin", b"null")],
        [(b"host", b"127.0.0.1:8765"), (b"origin", b"https://127.0.0.1:8765")],
        [(b"host", b"evil.example"), (b"origin", b"http://evil.example")],
        [*OWN, (b"sec-fetch-site", b"cross-site")],
        [*OWN, (b"sec-fetch-site", b"same-site")],
        OWN[:1],
        [OWN[0], (b"cookie", b"evenidle_8765=")],
        [OWN[0], (b"cookie", COOKIE[:-1])],
        [OWN[0], (b"cookie", COOKIE.replace(b"8765", b"8766"))],
        [OWN[0], (b"cookie", b"evenidle_8765; \x00")],
    ],
)
@pytest.mark.parametrize("kind", ["http", "websocket"])
def test_others_are_refused(headers: list[tuple[bytes, bytes]], kind: str) -> None:
    sent, reached = ask(headers, kind, key=KEY)
    assert reached == 0
    assert sent[0].get("status", 403) in (400, 403)
    assert sent[0]["type"] in ("http.response.start", "websocket.close")


def test_the_key_opens_and_the_browser_keeps_it() -> None:
    key = StartKey(8765)
    for address, status in (
        (key.path, 303), (key.path_once, 303), (key.path_once, 403), (key.path, 303),
        (f"{key.path}x", 403), ("/?key=", 403), ("/?key=None", 403), (f"/work{key.path}", 403),
    ):  # fmt: skip
        sent, reached = ask(OWN[:1], address=address, key=key)
        assert (sent[0]["status"], reached) == (status, 0), address
        kept = dict(sent[0]["headers"]).get(b"set-cookie", b"").decode()
        assert bool(kept) == (status == 303)
        if kept:
            assert "HttpOnly" in kept
            assert "SameSite=Strict" in kept
            cookie = kept.partition(";")[0].encode()
            assert ask([OWN[0], (b"cookie", b"other=1; " + cookie)], key=key)[1] == 1
    assert key.path_once not in key.path


def test_a_body_is_capped_whether_its_length_is_told_or_not() -> None:
    for headers, body in (
        ([*OWN, (b"content-length", b"1001")], (b"x",)),
        ([*OWN, (b"content-length", b"many")], (b"x",)),
        (OWN, (b"x" * 600, b"x" * 600)),
    ):
        sent, _ = ask(headers, body=body)
        assert sent[0]["status"] == 413
    sent, reached = ask(OWN, body=(b"x" * 500, b"x" * 500))
    assert (sent[0]["status"], reached) == (200, 1)


def test_every_answer_says_that_nothing_may_come_from_elsewhere() -> None:
    for headers in (OWN, []):
        sent, _ = ask(headers)
        told = dict(sent[0]["headers"])
        assert b"default-src 'self'" in told[b"content-security-policy"]
        assert b"frame-ancestors 'none'" in told[b"content-security-policy"]


@pytest.mark.browser
@pytest.mark.parametrize(
    ("path", "more", "status"),
    [
        ("/", {}, 307),
        ("/", {"Host": "evil.example"}, 400),
        ("/", {"Origin": "http://evil.example"}, 403),
        ("/_nicegui_ws/socket.io/?EIO=4&transport=polling", {"Origin": "http://evil.example"}, 403),
        ("/_nicegui_ws/socket.io/?EIO=4&transport=polling", {"Host": "evil.example:80"}, 400),
        ("/", {"Content-Length": "99000000"}, 413),
        ("/", {"Cookie": ""}, 403),
        ("/", {"Sec-Fetch-Site": "cross-site"}, 403),
        ("/_nicegui_ws/socket.io/?EIO=4&transport=polling", {"Cookie": ""}, 403),
    ],
)
def test_the_real_server_refuses_strangers(
    path: str, more: dict[str, str], status: int, served: Served
) -> None:
    line = http.client.HTTPConnection("127.0.0.1", served.port, timeout=LONGEST_WAIT_s)
    own = {} if "Host" in more else {"Host": f"127.0.0.1:{served.port}"}
    line.putrequest("GET", path, skip_host=True)
    for name, value in {"Cookie": served.cookie(), **own, **more}.items():
        line.putheader(name, value)
    line.endheaders()
    assert line.getresponse().status == status
    line.close()


@pytest.mark.browser
@pytest.mark.parametrize("origin", ["http://evil.example", "own"])
def test_the_real_server_keeps_its_sockets_to_itself(origin: str, served: Served) -> None:
    own = f"http://127.0.0.1:{served.port}"
    line = http.client.HTTPConnection("127.0.0.1", served.port, timeout=LONGEST_WAIT_s)
    line.request(
        "GET",
        "/_nicegui_ws/socket.io/?EIO=4&transport=websocket",
        headers={
            "Connection": "Upgrade",
            "Upgrade": "websocket",
            "Sec-WebSocket-Key": "MDEyMzQ1Njc4OWFiY2RlZg==",
            "Sec-WebSocket-Version": "13",
            "Origin": own if origin == "own" else origin,
            "Cookie": served.cookie(),
        },
    )
    status = line.getresponse().status
    line.close()
    assert status == (101 if origin == "own" else 403)
