"""The two real idle logs are read exactly as recorded: trailing comma, misspelt name, repeats.

Source: public data set carOBD (IEEE 8891367), a 1496 cm3 petrol car, about 2 rows a second.
"""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest

from sim.errors import InputError
from tuning.logs.log import Log, needs, read_log

FILES = ["real_idle_cold_start.csv", "real_idle_load_cycling.csv"]
ROWS = {"real_idle_cold_start.csv": 1295, "real_idle_load_cycling.csv": 1465}
COLUMNS = {
    "rpm": "ENGINE_RPM ()",
    "map_kPa": "INTAKE_MANIFOLD_PRESSURE ()",
    "coolant_degC": "COOLANT_TEMPERATURE ()",
    "battery_V": "CONTROL_MODULE_VOLTAGE ()",
    "spark_deg": "TIMING_ADVANCE ()",
    "iat_degC": "INTAKE_AIR_TEMP ()",
    "throttle_percent": "THROTTLE ()",
    "vehicle_speed_km_h": "VEHICLE_SPEED ()",
}


def as_recorded(path: Path) -> dict[str, np.ndarray]:
    """The file read a second time, by nothing of ours."""
    with path.open(newline="", encoding="utf-8") as stream:
        header, *rows = list(csv.reader(stream))
    return {
        name: np.array([float(row[at]) for row in rows])
        for at, name in enumerate(header)
    }  # fmt: skip


@pytest.mark.parametrize("name", FILES)
def test_every_value_is_as_recorded(shared_data: Path, name: str) -> None:
    log, raw = read_log(shared_data / name), as_recorded(shared_data / name)
    assert log.time_s.size == ROWS[name]
    for ours, theirs in COLUMNS.items():
        np.testing.assert_array_equal(getattr(log, ours), raw[theirs], err_msg=ours)
    assert log.names == ("time_s", "rpm", "map_kPa", "coolant_degC", "battery_V", "spark_deg",
                         "iat_degC", "throttle_percent", "vehicle_speed_km_h")  # fmt: skip
    used = [line.column for line in log.recognised]
    assert used == ["ENGINE_RUN_TINE ()", *COLUMNS.values()]
    assert [*used, *log.ignored] == sorted(raw, key=[*used, *log.ignored].index)
    assert log.recognised[0].how.startswith("misspelt, read as 'engine run time'")


@pytest.mark.parametrize("name", FILES)
def test_repeated_seconds_are_spread_and_said(shared_data: Path, name: str) -> None:
    log, raw = read_log(shared_data / name), as_recorded(shared_data / name)
    stamps = raw["ENGINE_RUN_TINE ()"]
    assert (np.diff(log.time_s) > 0.0).all()
    following = np.array([stamps[stamps > stamp].min(initial=stamp + 3.0) for stamp in stamps])
    assert ((log.time_s >= stamps) & (log.time_s < following)).all()
    np.testing.assert_array_equal(log.time_s[1:][np.diff(stamps) > 0], stamps[1:][np.diff(stamps) > 0])
    assert log.parts == (slice(0, ROWS[name]),)
    assert log.rate_Hz == pytest.approx(ROWS[name] / stamps[-1], rel=0.01)
    assert any(note.startswith("time stamps repeat") for note in log.notes)
    assert any(note.startswith("rpm is refreshed only about every 2 s") for note in log.notes)


def test_the_cold_start_shows_the_published_warm_up(shared_data: Path) -> None:
    # checks.md 15: 50 degC after 104 to 123 s, 80 degC after 513 to 562 s; hot idle about 652 rpm
    # with 4 rpm scatter and 25 kPa.
    log = read_log(shared_data / "real_idle_cold_start.csv")
    assert log.coolant_degC is not None
    assert log.map_kPa is not None
    running = log.time_s[np.argmax(log.rpm > 500.0)]
    after = {t: log.time_s[np.argmax(log.coolant_degC >= t)] - running for t in (50.0, 80.0)}
    assert 104.0 <= after[50.0] <= 123.0
    assert 513.0 <= after[80.0] <= 562.0
    hot = log.coolant_degC >= 82.0
    assert float(np.mean(log.rpm[hot])) == pytest.approx(652.0, abs=2.0)
    assert float(np.std(log.rpm[hot])) == pytest.approx(4.0, abs=1.0)
    assert float(np.mean(log.map_kPa[hot])) == pytest.approx(25.0, abs=0.5)


def test_fit_is_told_that_no_valve_was_recorded(shared_data: Path) -> None:
    log: Log = read_log(shared_data / "real_idle_cold_start.csv")
    needs([log], ["time_s", "rpm"], "diagnose")
    with pytest.raises(InputError, match="valve_steps: not in this log, and fit needs it"):
        needs([log], ["valve_steps"], "fit")


def test_a_record_without_rpm_is_refused_with_its_columns(shared_data: Path) -> None:
    path = shared_data / "manifold_filling_record.csv"
    with pytest.raises(InputError) as caught:
        read_log(path)
    assert str(caught.value) == (
        f"{path}:3: rpm: no such column recognised (columns: time_s, air_in_kg_per_s, "
        'manifold_pressure_Pa), allowed: name it, as with --columns "rpm=air_in_kg_per_s"'
    )
