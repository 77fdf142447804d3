"""Reading and writing files so that nothing of the user's is lost and every fault is explained."""

from __future__ import annotations

import contextlib
import os
import re
import tempfile
import tomllib
from pathlib import Path
from typing import Any

from sim.errors import InputError, Problem
from sim.key_lines import KeyPath, key_lines

LARGEST_BYTES = 2_000_000


def one_problem(file: str | Path, line: int, key: str, message: str) -> InputError:
    """Make an `InputError` of a single problem, to be raised by the caller.

    Gives not yet raised.
    """
    return InputError([Problem(str(file), line, key, message)])


def read_text(path: Path, largest_bytes: int = LARGEST_BYTES) -> str:
    """Read a UTF-8 text file.

    Gives the text, line ends as they are in the file.
    """
    try:
        if path.is_dir():
            raise one_problem(path, 1, "file", "is a folder, allowed: a file")
        size = path.stat().st_size
        if size > largest_bytes:
            message = f"too large ({size} bytes), allowed: up to {largest_bytes} bytes"
            raise one_problem(path, 1, "file", message)
        content = path.read_bytes()
    except FileNotFoundError:
        raise one_problem(path, 1, "file", "not found, allowed: a file that exists") from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        message = f"cannot be read ({reason.lower()}), allowed: a readable file"
        raise one_problem(path, 1, "file", message) from None
    try:
        return content.decode("utf-8").removeprefix("\ufeff")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        message = f"not UTF-8 (byte 0x{content[error.start]:02x}), allowed: text saved as UTF-8"
        raise one_problem(path, line, "file", message) from None


def read_toml(path: Path) -> tuple[dict[str, Any], dict[KeyPath, int]]:
    """Read a TOML file and the line of each of its keys."""
    text = read_text(path)
    try:
        return tomllib.loads(text), key_lines(text)
    except tomllib.TOMLDecodeError as error:
        line, reason = _place_of(str(error), text)
        raise one_problem(path, line, "file", f"not TOML ({reason}), allowed: TOML 1.0") from None
    except (ValueError, OverflowError) as error:
        reason = str(error).split(";")[0].lower()
        raise one_problem(path, 1, "file", f"not usable ({reason}), allowed: TOML 1.0") from None
    except RecursionError:
        message = "nested too deeply, allowed: a few levels of arrays and tables"
        raise one_problem(path, 1, "file", message) from None


def _place_of(message: str, text: str) -> tuple[int, str]:
    """Take the line out of a message of `tomllib` and leave the reason as one plain line."""
    place = re.search(r"\(at line (\d+), column \d+\)$", message)
    reason = " ".join(re.sub(r"\s*\(at [^()]*\)$", "", message).split())
    reason = reason[:1].lower() + reason[1:]
    if place:
        return int(place.group(1)), reason
    return max(1, len(text.rstrip().splitlines())), f"{reason} at the end of the file"


def write_beside(path: str | Path, content: str | bytes, keep_old: bool = False) -> None:
    """Write a file completely or not at all.

    The content goes to a temporary file in the same folder, which then takes the place of the
    old one in a single step, so that an interruption leaves either the old file or the new.
    """
    target = Path(os.path.realpath(path))
    data = content.encode("utf-8") if isinstance(content, str) else content
    try:
        if target.is_dir():
            raise one_problem(path, 1, "file", "is a folder, allowed: the name of a file")
        if keep_old and target.is_file():
            _replace(target.with_name(target.name + ".bak"), target.read_bytes(), _mode_of(target))
        _replace(target, data, _mode_of(target))
    except (OSError, ValueError) as error:
        reason = (getattr(error, "strerror", None) or str(error)).lower()
        message = f"cannot be written ({reason}), allowed: a place where files can be made"
        raise one_problem(path, 1, "file", message) from None


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
    """Find the folder of bundled cars, logs and scenarios, in a checkout or when installed.

    Gives it lies beside the package in both.
    """
    return Path(__file__).resolve().parent.parent / "scenarios"


def bundled_names(folder: Path) -> list[str]:
    """List the bundled files of a folder.

    Gives their names without ending, sorted.
    """
    return sorted(file.stem for file in folder.glob("*.toml"))


def find_file(path_or_name: str | Path, folder: Path, what: str) -> Path:
    """Return the file meant by a path or by the bare name of a bundled file.

    Gives A path that exists, or one given with a folder or an ending, to be read and reported on.
    """
    path = Path(path_or_name)
    name = str(path_or_name)
    if not re.fullmatch(r"[A-Za-z0-9_-]+", name) or path.is_file():
        return path
    bundled = folder / f"{name}.toml"
    if bundled.is_file():
        return bundled
    names = ", ".join(bundled_names(folder))
    message = f"not found, allowed: a {what} file, or a bundled {what}: {names}"
    raise one_problem(name, 1, "file", message)
