"""The key without which the page does not open: other people on this machine do not have it.

It stands in the address that is printed, and the browser keeps it in a cookie.  The address that a browser is
started with is seen by everybody who lists processes, so that its key is another, good for one time only.
"""

from __future__ import annotations

import secrets
from http.cookies import CookieError, SimpleCookie
from urllib.parse import parse_qs


class StartKey:
    """The key of one run of the server."""

    def __init__(self, port: int) -> None:
        self._cookie = f"evenidle_{port}"
        self._key = secrets.token_urlsafe(24)
        self._once: str | None = secrets.token_urlsafe(24)

    @property
    def path(self) -> str:
        """What follows the port in the address that is printed."""
        return f"/?key={self._key}"

    @property
    def path_once(self) -> str:
        """The same with the key that is good for one time only."""
        return f"/?key={self._once}"

    @property
    def cookie(self) -> str:
        """Header of an answer that has a browser keep the key."""
        return f"{self._cookie}={self._key}; Path=/; HttpOnly; SameSite=Strict"

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
