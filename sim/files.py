"""Reading and writing files so that nothing of the user's is lost and every fault is explained."""

from __future__ import annotations

import contextlib
import os
import re
import stat
import tempfile
import tomllib
from pathlib import Path
from typing import Any

from sim.errors import InputError, Problem
from sim.key_lines import KeyPath, key_lines

LARGEST_BYTES = 500_000  # A car or scenario file of this size would hold thousands of events.
DEEPEST_KEY = 16
_DEEP_KEY = re.compile(
    r"""(?<![A-Za-z0-9_-])(?:(?:[A-Za-z0-9_-]+|"(?:\\.|[^"\\\n])*"|'[^'\n]*')[ \t]*\.[ \t]*){16}"""
)
"""More parts in a dotted key than any key of ours has; each would be kept with all before it."""


def one_problem(file: str | Path, line: int, key: str, message: str) -> InputError:
    """Make an `InputError` of a single problem, to be raised by the caller.

    Parameters
    ----------
    file, line, key, message : object
        Of the `Problem`.

    Returns
    -------
    InputError, not yet raised
    """
    return InputError([Problem(str(file), line, key, message)])


def read_text(path: Path, largest_bytes: int = LARGEST_BYTES) -> str:
    """Read a UTF-8 text file.

    Parameters
    ----------
    path, largest_bytes : object
        As of `read_regular`.

    Returns
    -------
    str, line ends as they are in the file
    """
    content = read_regular(path, largest_bytes)
    try:
        return content.decode("utf-8").removeprefix("\ufeff")
    except UnicodeDecodeError as error:
        message = f"not UTF-8 (byte 0x{content[error.start]:02x}), allowed: text saved as UTF-8"
        raise _refused(path, message, content.count(b"\n", 0, error.start) + 1) from None


def read_regular(path: Path, largest_bytes: int) -> bytes:
    """Read a regular file up to a size; a device or pipe might never end.

    Parameters
    ----------
    path, largest_bytes : Path, int
        Where it is; a larger one is refused.

    Returns
    -------
    bytes
    """
    try:
        if path.is_dir():
            raise _refused(path, "is a folder, allowed: a file")
        about = path.stat()
        if not stat.S_ISREG(about.st_mode):
            raise _refused(path, f"is {_other_kind(about.st_mode)}, allowed: a regular file")
        if about.st_size > largest_bytes:
            raise _refused(path, f"too large ({about.st_size} bytes), allowed: up to {largest_bytes} bytes")
        with path.open("rb") as stream:
            return stream.read(largest_bytes + 1)[:largest_bytes]
    except FileNotFoundError:
        raise _refused(path, "not found, allowed: a file that exists") from None
    except (OSError, ValueError) as error:
        raise _refused(path, f"cannot be read ({_reason(error)}), allowed: a readable file") from None


def _refused(path: str | Path, message: str, line: int = 1) -> InputError:
    """What is wrong with a file as a whole."""
    return one_problem(path, line, "file", message)


def _reason(error: Exception) -> str:
    return str(getattr(error, "strerror", None) or error).lower()


def _other_kind(mode: int) -> str:
    """Name what is no regular file."""
    if stat.S_ISFIFO(mode):
        return "a pipe"
    return "a socket" if stat.S_ISSOCK(mode) else "a device"


def _refuse_deep_keys(path: Path, text: str) -> None:
    """Refuse keys of very many parts before anything grows with the square of their number."""
    deep = _DEEP_KEY.search(text)
    if deep:
        message = f"a key of too many parts, allowed: up to {DEEPEST_KEY}"
        raise _refused(path, message, text.count("\n", 0, deep.start()) + 1)


def read_toml(path: Path) -> tuple[dict[str, Any], dict[KeyPath, int]]:
    """Read a TOML file and the line of each of its keys."""
    text = read_text(path)
    _refuse_deep_keys(path, text)
    try:
        return tomllib.loads(text), key_lines(text)
    except tomllib.TOMLDecodeError as error:
        line, reason = _place_of(str(error), text)
        raise _refused(path, f"not TOML ({reason}), allowed: TOML 1.0", line) from None
    except (ValueError, OverflowError) as error:
        reason = str(error).split(";")[0].lower()
        raise _refused(path, f"not usable ({reason}), allowed: TOML 1.0") from None
    except RecursionError:
        raise _refused(path, "nested too deeply, allowed: a few levels of arrays and tables") from None


def _place_of(message: str, text: str) -> tuple[int, str]:
    """Take the line out of a message of `tomllib` and leave the reason as one plain line."""
    place = re.search(r"\(at line (\d+), column \d+\)$", message)
    reason = " ".join(re.sub(r"\s*\(at [^()]*\)$", "", message).split())
    reason = reason[:1].lower() + reason[1:]
    if place:
        return int(place[1]), reason
    return text.rstrip().count("\n") + 1, f"{reason} at the end of the file"


def write_beside(path: str | Path, content: str | bytes, keep_old: bool = False) -> None:
    """Write a file completely or not at all.

    The content goes to a temporary file in the same folder, which then takes the place of the old one in a
    single step, so that an interruption leaves either the old file or the new. Only a regular file is ever
    replaced.

    Parameters
    ----------
    path, content, keep_old : object, bool
        Where, and what; keep what was there beside, under a name of its own.
    """
    target = Path(os.path.realpath(path))
    data = content.encode("utf-8") if isinstance(content, str) else content
    try:
        refuse_no_place(target, shown=path)
        if keep_old and target.is_file() and target.read_bytes() != data:
            keep_copy(target)
        _replace(target, data, _mode_of(target))
    except (OSError, ValueError) as error:
        message = f"cannot be written ({_reason(error)}), allowed: a place where files can be made"
        raise _refused(path, message) from None


def refuse_no_place(target: Path, shown: str | Path) -> None:
    """Refuse to write where something is that is no regular file.

    Parameters
    ----------
    target, shown : Path
        The place, and how it is told of.
    """
    if target.is_dir():
        raise _refused(shown, "is a folder, allowed: the name of a file")
    if target.exists() and not target.is_file():
        kind = _other_kind(target.stat().st_mode)
        raise _refused(shown, f"is {kind}, allowed: a new name or a regular file")


def keep_copy(target: Path) -> Path:
    """Keep a file as it is under a name that nothing else has, the first copy before all later.

    Gives the copy, or one of the same content that was there already.
    """
    content = target.read_bytes()
    number = 0
    while True:
        number += 1
        place = target.with_name(f"{target.name}.bak{number if number > 1 else ''}")
        if not place.exists():
            _replace(place, content, _mode_of(target))
            return place
        if place.is_file() and place.read_bytes() == content:
            return place


def _mode_of(target: Path) -> int:
    """Return the permissions a replaced file had, or those a new one would get."""
    if target.exists():
        return target.stat().st_mode & 0o777
    mask = os.umask(0)
    os.umask(mask)
    return 0o666 & ~mask


def _replace(target: Path, data: bytes, mode: int) -> None:
    handle, name = tempfile.mkstemp(".tmp", f".{target.name[:100]}.", target.parent)
    beside = Path(name)
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(data)
            stream.flush()
            os.fsync(stream.fileno())
        beside.chmod(mode)
        beside.replace(target)
    except BaseException:
        with contextlib.suppress(OSError):
            beside.unlink()
        raise
    if os.name == "posix":
        # The rename itself lasts through a power cut only once the folder is on disk.
        folder = os.open(target.parent, os.O_RDONLY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)


def bundled_folder() -> Path:
    """Folder of bundled cars, logs and scenarios: beside the package, in a checkout and when installed."""
    return Path(__file__).resolve().parent.parent / "scenarios"


def bundled_cars() -> list[str]:
    """Names of the cars that come with evenidle, as `load_car` and `simulate` take them, sorted."""
    return _names(bundled_folder() / "cars", ".toml")


def bundled_scenarios() -> list[str]:
    """Names of the scenarios that come with evenidle, as `load_scenario` and `simulate` take them, sorted."""
    return _names(bundled_folder(), ".toml")


def bundled_logs() -> list[str]:
    """Names of the recorded logs that come with evenidle, as `tuning.read_log` takes them, sorted."""
    return _names(bundled_folder() / "logs", ".csv")


def _names(folder: Path, ending: str) -> list[str]:
    return sorted(file.stem for file in folder.glob(f"*{ending}"))


def find_file(path_or_name: str | Path, folder: Path, what: str, ending: str = ".toml") -> Path:
    """Return the file meant by a path, there or not, or by the bare name of a bundled file."""
    path, name = Path(path_or_name), str(path_or_name)
    if not re.fullmatch(r"[A-Za-z0-9_-]{1,100}", name) or path.is_file():
        return path
    bundled = folder / f"{name}{ending}"
    if bundled.is_file():
        return bundled
    names = ", ".join(_names(folder, ending))
    raise _refused(name, f"not found, allowed: a {what} file, or a bundled {what}: {names}")
