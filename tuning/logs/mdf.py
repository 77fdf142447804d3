"""Logs in ASAM MDF 4, read by asammdf (optional extra ``mdf``)."""

from __future__ import annotations

import contextlib
import gc
import io
import logging
import struct
import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from sim.errors import InputError
from sim.files import one_problem, read_regular
from tuning.logs.names import Choice, choose_columns
from tuning.logs.rows import FloatArray
from tuning.logs.signals import BY_NAME
from tuning.logs.table import listed
from tuning.logs.text import LARGEST_LOG_BYTES, one_line
from tuning.logs.values import Table, held_at

Channel = tuple[int, int]

HEADER = 64  # Where the first block stands.
LEAST_MEMORY_BYTES = 200_000_000
MEMORY_SHARE = 60  # Memory for a file: so many bytes, and for each byte of it so many (it may be packed).


def read_mdf(path: Path, wanted_of: Callable[[Sequence[str]], Mapping[str, tuple[int, str] | None]]) -> Table:
    """Read recognised channels; rows are the samples of rpm, others give their last value at each."""
    file = str(path)
    raw = read_regular(path, LARGEST_LOG_BYTES)
    if not raw.startswith((b"MDF     4", b"UnFinMF 4")):
        message = f"not an ASAM MDF file (begins with {raw[:9]!r}), allowed: MDF version 4"
        raise one_problem(path, 1, "file", message)
    try:
        import asammdf
    except ImportError:
        message = "ASAM MDF needs asammdf, allowed: pip install 'evenidle[mdf]', or a text log"
        raise one_problem(path, 1, "file", message) from None
    with _quiet(), _bounded_memory(path.stat().st_size):
        try:
            _refuse_rings(raw)
            recording = asammdf.MDF(path)
            try:
                return _table(file, recording, wanted_of)
            finally:
                recording.close()
        except InputError:
            raise
        except Exception as error:  # noqa: BLE001 - a damaged file fails anywhere in its reader
            reason = " ".join(str(error).split())[:80] or type(error).__name__
            message = f"damaged ASAM MDF file ({reason}), allowed: a whole one"
        # What is left of a half-opened file is thrown away here, where its complaint is unheard.
        gc.collect()
    raise one_problem(path, 1, "file", message)


def _refuse_rings(raw: bytes) -> None:
    """Refuse rows of blocks that lead back into themselves: whoever follows first links is there for ever."""
    left, todo, known = len(raw) // 8, [HEADER], {0}
    while todo:
        at, row = todo.pop(), set()
        while at not in known and HEADER <= at <= len(raw) - 40:
            known.add(at)
            row.add(at)
            count = int.from_bytes(raw[at + 16 : at + 24], "little")
            if raw[at : at + 2] != b"##":
                count = 2  # what a link astray meets is followed as a group would be
            elif raw[at + 2 : at + 4] in (b"HD", b"DG", b"CG", b"CN"):
                count = max(count, 2)
            left -= count
            if left < 0:
                raise ValueError("more links than it has room for")
            links = struct.unpack_from(f"<{min(count, (len(raw) - at - 24) // 8)}Q", raw, at + 24)
            todo += links[1:]
            at = links[0] if links else 0
        if at in row:
            raise ValueError("blocks in a ring")


@contextlib.contextmanager
def _bounded_memory(file_bytes: int) -> Iterator[None]:
    """Let a file take no more memory than a whole one of its size may need: damaged counts ask for more."""
    try:
        import resource

        pages = int(Path("/proc/self/statm").read_text().split()[0])
    except (ImportError, OSError, ValueError):
        yield  # only Linux tells what is in use already
        return
    soft, hard = resource.getrlimit(resource.RLIMIT_AS)
    most = pages * resource.getpagesize() + LEAST_MEMORY_BYTES + MEMORY_SHARE * file_bytes
    if soft != resource.RLIM_INFINITY:
        most = min(most, soft)
    resource.setrlimit(resource.RLIMIT_AS, (most, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_AS, (soft, hard))


@contextlib.contextmanager
def _quiet() -> Iterator[None]:
    """Keep the library's own remarks and printed tracebacks from standing among our messages."""
    logging.getLogger("asammdf").setLevel(logging.CRITICAL)
    before = sys.unraisablehook
    sys.unraisablehook = lambda _: None
    try:
        with contextlib.redirect_stdout(io.StringIO()):
            yield
    finally:
        sys.unraisablehook = before


def _table(
    file: str, recording: Any, wanted_of: Callable[[Sequence[str]], Mapping[str, tuple[int, str] | None]]
) -> Table:
    places = _channels(recording)
    headers = [one_line(recording.groups[group].channels[at].name, 80) for group, at in places]
    units = [str(recording.get_channel_unit(group=group, index=at) or "") for group, at in places]
    wanted = wanted_of(headers)
    choices, notes = choose_columns(headers, units, wanted)
    if "rpm" not in choices:
        message = f"no such channel recognised (channels: {listed(headers)}), allowed: name it with --columns"
        raise one_problem(file, 1, "rpm", message + ' "rpm=..."')
    time, rpm = _samples(recording, places[choices["rpm"].column])
    numbers: dict[str, FloatArray] = {"time_s": time, "rpm": rpm}
    kept = {"time_s": Choice(len(headers), BY_NAME["time_s"], "s", "ASAM MDF"), "rpm": choices["rpm"]}
    for name, choice in choices.items():
        if name in kept:
            continue
        try:
            at, values = _samples(recording, places[choice.column])
        except (TypeError, ValueError):
            notes.append(f"{name}: '{headers[choice.column]}' holds no numbers: not used")
            continue
        kept[name] = choice
        numbers[name] = held_at(time, at, values)
    return Table(
        file=file, headers=(*headers, "time of the samples"), header_line=1, choices=kept, numbers=numbers,
        time_how="ASAM MDF master channel", line_of_row=np.arange(1, time.size + 1), notes=tuple(notes),
    )  # fmt: skip


def _channels(recording: Any) -> list[Channel]:
    """All channels but those of time; each within its record, as machine code reads where it points."""
    found = []
    for group, content in enumerate(recording.groups):
        size = content.channel_group.samples_byte_nr + content.channel_group.invalidation_bytes_nr
        for at, one in enumerate(content.channels):
            if one.byte_offset + (one.bit_offset + one.bit_count + 7) // 8 > size:
                raise ValueError("a channel outside its record")
            if recording.masters_db.get(group) != at:
                found.append((group, at))
    return found


def _samples(recording: Any, place: Channel) -> tuple[FloatArray, FloatArray]:
    """Return times in seconds and values of one channel, invalid samples as nan."""
    group, at = place
    signal = recording.get(group=group, index=at, ignore_invalidation_bits=True)
    values = np.array(signal.samples, dtype=np.float64)
    if values.ndim != 1:
        raise ValueError("more than one value a sample")
    if signal.invalidation_bits is not None:
        values[np.asarray(signal.invalidation_bits, np.bool_)] = np.nan
    return np.asarray(signal.timestamps, np.float64), values
