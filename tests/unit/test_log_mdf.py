"""ASAM MDF 4 files, written by asammdf itself, are read like any other log."""

from __future__ import annotations

import sys
from pathlib import Path

import asammdf
import numpy as np
import pytest

from sim.errors import InputError
from tuning.logs.log import read_log

TIME_s = np.arange(200) * 0.05
RPM = 850.0 + 12.0 * np.sin(TIME_s)


def signal(name: str, unit: str, values: np.ndarray, time_s: np.ndarray = TIME_s) -> asammdf.Signal:
    return asammdf.Signal(samples=values, timestamps=time_s, name=name, unit=unit)


def written(folder: Path, *groups: list[asammdf.Signal]) -> Path:
    path = folder / "a.mf4"
    with asammdf.MDF(version="4.10") as recording:
        for group in groups:
            recording.append(group)
        recording.save(path, overwrite=True)
    return path


def test_channels_of_different_rates_and_units(tmp_path: Path) -> None:
    slow_s = np.arange(1, 12) * 0.9
    path = written(
        tmp_path,
        [signal("Coolant temperature", "degF", np.linspace(150.0, 190.0, 11), slow_s)],
        [signal("Engine speed", "1/min", RPM), signal("Valve steps", "", np.arange(200) // 40)],
        [signal("Gear", "", np.ones(200))],
    )
    log = read_log(path)
    np.testing.assert_array_equal(log.time_s, TIME_s)
    np.testing.assert_array_equal(log.rpm, RPM)
    np.testing.assert_array_equal(log.valve_steps, np.arange(200) // 40)
    assert log.coolant_degC is not None
    # The last value at or before each sample; the first one holds backwards too.
    last = np.maximum(np.searchsorted(slow_s, TIME_s, side="right") - 1, 0)
    expected = (np.linspace(150.0, 190.0, 11)[last] - 32.0) / 1.8
    np.testing.assert_allclose(log.coolant_degC, expected, rtol=1e-12)
    assert log.rate_Hz == pytest.approx(20.0)
    assert "Gear" in log.ignored
    assert "Engine speed" in {line.column for line in log.recognised}


def test_columns_can_be_mapped(tmp_path: Path) -> None:
    path = written(tmp_path, [signal("A", "", RPM), signal("B", "V", np.full(200, 13.8))])
    log = read_log(path, columns={"rpm": "A", "battery_V": "B"})
    np.testing.assert_array_equal(log.rpm, RPM)
    with pytest.raises(InputError, match=r"a\.mf4:1: rpm: no such column \('C'\), allowed: A, B"):
        read_log(path, columns={"rpm": "C"})


def test_a_file_without_rpm_is_refused(tmp_path: Path) -> None:
    path = written(tmp_path, [signal("Gear", "", np.ones(200))])
    with pytest.raises(InputError, match=r"1: rpm: no such channel recognised \(channels: Gear"):
        read_log(path)


def test_damaged_files_are_refused(tmp_path: Path) -> None:
    whole = written(tmp_path, [signal("Engine speed", "1/min", RPM)]).read_bytes()
    random = np.random.default_rng(2)
    refusals: list[str] = []
    for at in range(30):
        damaged = bytearray(whole)
        if at % 2:
            damaged = damaged[: int(random.integers(8, len(whole) - 1))]
        else:
            for place in random.integers(64, len(whole), 60):
                damaged[place] = int(random.integers(256))
        path = tmp_path / "b.mf4"
        path.write_bytes(bytes(damaged))
        try:
            log = read_log(path)
        except InputError as caught:
            refusals.append(str(caught))
        else:
            # Where only values were hit, what is read is still a log.
            assert log.time_s.size >= 10
            assert (log.rpm >= 0.0).all()
    assert len(refusals) >= 15
    assert all(line.startswith(f"{tmp_path / 'b.mf4'}:1: ") for line in refusals)


@pytest.mark.parametrize("content", [b"", b"time_s,rpm\n0,850\n", bytes(range(256)) * 9])
def test_other_files_of_that_name_are_refused(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "a.mf4"
    path.write_bytes(content)
    with pytest.raises(InputError, match=r"a\.mf4:1: file: not an ASAM MDF file"):
        read_log(path)


def test_the_name_must_say_what_the_file_is(tmp_path: Path) -> None:
    path = written(tmp_path, [signal("Engine speed", "1/min", RPM)]).rename(tmp_path / "a.csv")
    with pytest.raises(InputError, match=r"is an ASAM MDF file.*must end in \.mf4"):
        read_log(path)


@pytest.mark.skipif(sys.platform != "linux", reason="the system does not tell what is in use")
def test_a_count_that_no_file_holds_takes_no_memory(tmp_path: Path) -> None:
    """A damaged count of samples is refused before it fills the memory (4 GB of a file of 5 kB)."""
    path = written(tmp_path, [signal("Engine speed", "1/min", RPM)])
    whole = bytearray(path.read_bytes())
    at = whole.find(b"##CG")
    while at >= 0:
        whole[at + 80 : at + 88] = (400_000_000).to_bytes(8, "little")
        at = whole.find(b"##CG", at + 4)
    path.write_bytes(bytes(whole))
    import resource

    before = resource.getrlimit(resource.RLIMIT_AS)
    with pytest.raises(InputError, match=r"\.mf4:1: file: damaged ASAM MDF file"):
        read_log(path)
    assert resource.getrlimit(resource.RLIMIT_AS) == before
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss < 1_500_000  # kB


def test_a_channel_outside_its_record_is_refused(tmp_path: Path) -> None:
    """The library's machine code read whatever lay there, and the process ended with a segmentation fault."""
    path = written(tmp_path, [signal("Engine speed", "1/min", RPM)])
    whole = bytearray(path.read_bytes())
    at = whole.find(b"##CN")
    links = int.from_bytes(whole[at + 16 : at + 24], "little")
    offset = at + 24 + 8 * links + 4
    whole[offset : offset + 4] = (3_690_987_520).to_bytes(4, "little")
    path.write_bytes(bytes(whole))
    with pytest.raises(InputError, match=r"damaged ASAM MDF file \(a channel outside its record\)"):
        read_log(path)


def link_of(whole: bytes, at: int, number: int) -> int:
    """A link of the block there."""
    return int.from_bytes(whole[at + 24 + 8 * number : at + 32 + 8 * number], "little")


@pytest.mark.parametrize("kind", ["data group", "channel group", "channel", "two kinds"])
def test_blocks_in_a_ring_are_refused(kind: str, tmp_path: Path) -> None:
    """Found by ``tests.fuzz``: the library followed such a row for ever."""
    path = written(tmp_path, [signal("Engine speed", "1/min", RPM)], [signal("Steps", "", RPM)])
    whole = path.read_bytes()
    read_log(path)
    first_data = link_of(whole, 64, 0)
    last_data = link_of(whole, first_data, 0)
    group = link_of(whole, last_data, 1)
    time = link_of(whole, group, 1)
    steps = link_of(whole, time, 0)
    assert [link_of(whole, at, 0) for at in (last_data, group, steps)] == [0, 0, 0]
    turned = {
        "data group": [(last_data, first_data)], "channel group": [(group, group)],
        "channel": [(steps, time)], "two kinds": [(last_data, group), (group, last_data)],
    }  # fmt: skip
    for at, to in turned[kind]:
        whole = whole[: at + 24] + to.to_bytes(8, "little") + whole[at + 32 :]
    path.write_bytes(whole)
    with pytest.raises(InputError, match=r"damaged ASAM MDF file \(blocks in a ring\)"):
        read_log(path)


def test_more_links_than_a_file_holds_are_refused(tmp_path: Path) -> None:
    path = written(tmp_path, [signal("Engine speed", "1/min", RPM)])
    whole = path.read_bytes()
    at = whole.find(b"##CC") if b"##CC" in whole else whole.find(b"##CN")
    path.write_bytes(whole[: at + 16] + (10**12).to_bytes(8, "little") + whole[at + 24 :])
    with pytest.raises(InputError, match=r"damaged ASAM MDF file \(more links than it has room for\)"):
        read_log(path)


def test_another_version_is_refused(tmp_path: Path) -> None:
    path = written(tmp_path, [signal("Engine speed", "1/min", RPM)])
    path.write_bytes(path.read_bytes().replace(b"4.10", b"3.30", 1))
    with pytest.raises(InputError, match=r"begins with b'MDF     3'\), allowed: MDF version 4"):
        read_log(path)
