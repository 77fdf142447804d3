"""How a command tells that it failed: lines on standard error, and one object where JSON is wanted."""

from __future__ import annotations

import os
import sys
from collections.abc import Mapping, Sequence
from contextlib import suppress

OUTPUT, COMPLAINTS = 1, 2  # Numbers of the standard streams.
INTERRUPTED, KEPT = 130, "interrupted; what was finished is kept"

_printed = False


def object_printed() -> None:
    """Note that the command's one JSON object is out."""
    global _printed  # noqa: PLW0603 (one command a process)
    _printed = True


def json_wanted(arguments: Sequence[str] | None = None) -> bool:
    """Whether the command line asks for JSON."""
    given = list(sys.argv[1:] if arguments is None else arguments)
    return "--json" in (given[: given.index("--")] if "--" in given else given)


def tell_failure(
    text: str,
    problems: Sequence[Mapping[str, str | int | None]] | None = None,
    arguments: Sequence[str] | None = None,
) -> None:
    """Tell a failure in words, and as one object if JSON is wanted and none is out yet."""
    with suppress(OSError, ValueError, AttributeError):
        sys.stderr.flush()
    _write(COMPLAINTS, text + "\n")
    if json_wanted(arguments) and not _printed:
        plain = {"file": None, "line": None, "key": None, "what": text, "allowed": None}
        try:
            from json import dumps

            said = dumps({"error": list(problems or [plain])})
        except ImportError:  # Interrupted while that very module is loaded: the text is ours, and plain.
            said = str({"error": [plain]}).replace("'", '"').replace("None", "null")
        _write(OUTPUT, said + "\n")


def _write(number: int, text: str) -> None:
    data = text.encode("utf-8", "backslashreplace")
    with suppress(OSError):
        while data:
            data = data[os.write(number, data) :]
