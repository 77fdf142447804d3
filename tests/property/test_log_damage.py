"""Whatever is done to a log, it is read, or refused in plain words with a line."""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from sim.errors import InputError
from tuning.logs.log import Log, read_log

ROWS = 120
NAMES = ("time_s", "rpm", "map_kPa", "coolant_degC", "valve_steps")
Random = np.random.Generator
Cells = list[list[str]]


def whole(random: Random) -> Cells:
    """A sound log of six seconds: a header and rows of cells."""
    time_s = np.arange(ROWS) * 0.05
    rpm = 850.0 + 20.0 * np.sin(2.0 * time_s) + random.standard_normal(ROWS) * 6.0
    rows = [
        [f"{t:.2f}", f"{r:.1f}", f"{35 + k % 3}", "88", f"{40 + k // 30}"]
        for k, (t, r) in enumerate(zip(time_s, rpm, strict=True))
    ]
    return [list(NAMES), *rows]


def text(cells: Cells) -> bytes:
    return "\n".join(",".join(row) for row in cells).encode() + b"\n"


def with_column(cells: Cells, at: int, values: list[str]) -> bytes:
    return text([cells[0], *([*row[:at], value, *row[at + 1 :]] for row, value in
                             zip(cells[1:], values, strict=True))])  # fmt: skip


def truncated(cells: Cells, random: Random) -> bytes:
    """Cut within the header or the first rows."""
    content = text(cells)
    return content[: int(random.integers(0, len(text(cells[:9]))))]


def shuffled(cells: Cells, random: Random) -> bytes:
    return text([cells[0], *(cells[1 + k] for k in random.permutation(ROWS))])


def shuffled_cells(cells: Cells, random: Random) -> bytes:
    """Each row's cells in another order."""
    return text([cells[0], *([row[k] for k in random.permutation(5)] for row in cells[1:])])


def binary(cells: Cells, random: Random) -> bytes:
    """Bytes at random, or a sound log with a stretch of them."""
    noise = random.integers(0, 256, 400, dtype=np.uint8).tobytes()
    content = text(cells)
    at = int(random.integers(0, len(content)))
    return noise if random.random() < 0.5 else content[:at] + noise + content[at:]


def wrong_columns(cells: Cells, random: Random) -> bytes:
    """Other names, fewer names, more names, or cells too many in a few rows."""
    kind = int(random.integers(4))
    if kind == 0:
        return text([[f"x{random.integers(1000)}" for _ in NAMES], *cells[1:]])
    if kind == 1:
        return text([list(NAMES[: int(random.integers(1, 5))]), *cells[1:]])
    if kind == 2:
        return text([[*NAMES, "a", "b"], *cells[1:]])
    bad = set(random.integers(20, ROWS - 20, 3).tolist())
    return text([[*row, "7", "8"] if k in bad else row for k, row in enumerate(cells)])


def not_numbers(cells: Cells, random: Random) -> bytes:
    """A needed column of NaN, or words or infinity in a few cells."""
    at = int(random.integers(0, 2))
    if random.random() < 0.5:
        return with_column(cells, at, ["NaN"] * ROWS)
    values = [row[at] for row in cells[1:]]
    for k in random.integers(0, ROWS, 4):
        values[k] = str(random.choice(["inf", "-inf", "ERR", "#DIV/0!", "8 50", "0x1F", "1.2.3"]))
    return with_column(cells, at, values)


def negative_rpm(cells: Cells, random: Random) -> bytes:
    values = [row[1] for row in cells[1:]]
    for k in random.integers(0, ROWS, int(random.integers(1, 9))):
        values[k] = "-" + values[k]
    return with_column(cells, 1, values)


def impossible(cells: Cells, random: Random) -> bytes:
    """A sensor that is not there, or a column under another's name."""
    at = int(random.integers(1, 5))
    return with_column(cells, at, [str(random.choice(["65535", "-99999", "1e300"]))] * ROWS)


def hours_long(cells: Cells, random: Random) -> bytes:
    """Rows minutes or hours apart, which show nothing of an idle."""
    step_s = float(random.uniform(30.0, 7200.0))
    return with_column(cells, 0, [f"{k * step_s:.1f}" for k in range(ROWS)])


def few_rows(cells: Cells, random: Random) -> bytes:
    """One row, or none."""
    return text(cells[: int(random.integers(1, 3))])


def standing_time(cells: Cells, random: Random) -> bytes:
    return with_column(cells, 0, [f"{random.integers(100)}"] * ROWS)


DAMAGES: list[Callable[[Cells, Random], bytes]] = [
    truncated, shuffled, shuffled_cells, binary, wrong_columns, not_numbers, negative_rpm,
    impossible, hours_long, few_rows, standing_time,
]  # fmt: skip


@pytest.mark.parametrize("damage", DAMAGES)
@pytest.mark.parametrize("seed", range(20))
def test_each_damaged_log_is_refused_in_plain_lines(
    tmp_path: Path, damage: Callable[[Cells, Random], bytes], seed: int
) -> None:
    random = np.random.default_rng([seed, DAMAGES.index(damage)])
    path = tmp_path / "a.csv"
    path.write_bytes(damage(whole(random), random))
    with pytest.raises(InputError) as caught:
        read_log(path)
    assert_plain(caught.value, path)


def assert_plain(error: InputError, path: Path) -> None:
    lines = path.read_bytes().replace(b"\r\n", b"\n").replace(b"\r", b"\n").count(b"\n") + 1
    for problem, line in zip(error.problems, str(error).splitlines(), strict=True):
        assert line == f"{path}:{problem.line}: {problem.key}: {problem.message}"
        assert 1 <= problem.line <= lines
        assert problem.key
        assert "allowed" in problem.message or "more of this kind" in problem.message
        assert len(line) < 400
        assert line.isprintable()
    assert len(error.problems) <= 60


def assert_sound(log: Log) -> None:
    columns = log.columns()
    assert all(values.shape == log.time_s.shape for values in columns.values())
    assert all(np.isfinite(values).all() for values in columns.values())
    assert [part.start for part in log.parts[1:]] == [part.stop for part in log.parts[:-1]]
    assert (log.parts[0].start, log.parts[-1].stop) == (0, log.time_s.size)
    assert all((np.diff(log.time_s[part]) > 0.0).all() for part in log.parts)
    assert (log.rpm >= 0.0).all()
    assert log.rate_Hz > 0.0


@st.composite
def spoilt(draw: st.DrawFn) -> bytes:
    """A sound log with a few bytes changed, put in or taken out, cut or doubled anywhere."""
    content = text(whole(np.random.default_rng(draw(st.integers(0, 9)))))
    content = content.replace(b",", draw(st.sampled_from([b",", b";", b"\t"])))
    for _ in range(draw(st.integers(1, 4))):
        at, to = sorted(draw(st.tuples(*[st.integers(0, len(content))] * 2)))
        kind = draw(st.sampled_from(["change", "cut", "double", "end", "sign"]))
        if kind == "change":
            content = content[:at] + draw(st.binary(max_size=6)) + content[at + 1 :]
        elif kind == "cut":
            content = content[:at] + content[to:]
        elif kind == "double":
            content = content[:to] + content[at:]
        elif kind == "end":
            content = content[:to]
        else:
            sign = draw(st.sampled_from(list(b'",;\t.-\n\r #eE:0\xe9\x00')))
            content = content[:at] + bytes([sign]) * draw(st.integers(1, 3)) + content[at:]
    return content


@settings(max_examples=300, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(content=spoilt())
def test_a_spoilt_log_is_read_or_refused(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "a.csv"
    path.write_bytes(content)
    try:
        log = read_log(path)
    except InputError as error:
        assert_plain(error, path)
    else:
        assert_sound(log)
        assert log.summary()


@settings(max_examples=150, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(content=st.one_of(st.binary(max_size=300), st.text(max_size=300).map(str.encode)))
def test_any_content_is_read_or_refused(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "a.csv"
    path.write_bytes(content)
    with contextlib.suppress(InputError):
        assert_sound(read_log(path))


def test_a_log_cut_anywhere_after_its_first_second_is_read(tmp_path: Path) -> None:
    """A recorder that lost power leaves a last row cut short; all before it is kept."""
    content = text(whole(np.random.default_rng(1)))
    path = tmp_path / "a.csv"
    for at in range(len(content) - 60, len(content)):
        path.write_bytes(content[:at])
        log = read_log(path)
        complete = content[:at].count(b"\n") - 1
        assert complete <= log.time_s.size <= complete + 1
        assert_sound(log)


def test_zeros_after_a_power_cut_are_left_out(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_bytes(text(whole(np.random.default_rng(1))) + b"\x00" * 4096)
    log = read_log(path)
    assert log.time_s.size == ROWS
    assert "4096 zero bytes at the end left out" in log.notes


@pytest.mark.parametrize(
    ("start", "message"),
    [
        (b"PK\x03\x04", "is a spreadsheet or zip archive"),
        (b"\x1f\x8b\x08", "is gzip-packed"),
        (b"MDF     4.10", "must end in .mf4"),
    ],
)
def test_other_kinds_of_file_are_named(tmp_path: Path, start: bytes, message: str) -> None:
    path = tmp_path / "a.csv"
    path.write_bytes(start + b"time_s,rpm")
    with pytest.raises(InputError) as caught:
        read_log(path)
    assert message in str(caught.value)


def test_files_that_cannot_be_opened(tmp_path: Path) -> None:
    for path, message in (
        (tmp_path / "none.csv", "not found"),
        (tmp_path, "is a folder"),
        (tmp_path / "a\x00.csv", "cannot be read"),
        (tmp_path / ("a" * 300), "cannot be read"),
    ):
        with pytest.raises(InputError, match=message):
            read_log(path)
        with pytest.raises(InputError, match=message):
            read_log(path.with_suffix(".mf4") if path.suffix else path)
