"""Any table our writer wrote, dressed up in another form, reads back equal."""

from __future__ import annotations

import io
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tuning.logs.log import read_log, write_log

NAMES = {
    "time_s": ["Time", "Elapsed time", "t"],
    "rpm": ["Engine speed", "RPM", "ENGINE_RPM", "Drehzahl"],
    "map_kPa": ["MAP", "Manifold pressure", "INTAKE_MANIFOLD_PRESSURE"],
    "coolant_degC": ["Coolant", "COOLANT_TEMPERATURE", "Kühlmitteltemperatur"],
    "battery_V": ["Battery", "CONTROL_MODULE_VOLTAGE"],
    "valve_steps": ["Valve steps", "Stepper position"],
    "spark_deg": ["Spark advance", "TIMING_ADVANCE", "Zündwinkel"],
    "target_rpm": ["Target rpm", "Desired idle speed"],
    "iat_degC": ["IAT", "INTAKE_AIR_TEMP"],
}
# Spelling of a unit, and ours = scale * theirs + offset, from the units' definitions:
# 1 psi = 6.894757293168 kPa, 1 inHg (0 degC) = 3.386389 kPa (NIST SP 811, appendix B.8).
UNITS = {
    "time_s": [("s", 1.0, 0.0), ("ms", 1e-3, 0.0), ("min", 60.0, 0.0)],
    "rpm": [("1/min", 1.0, 0.0), ("rpm", 1.0, 0.0), ("Hz", 60.0, 0.0)],
    "map_kPa": [("kPa", 1.0, 0.0), ("mbar", 0.1, 0.0), ("psi", 6.894757293168, 0.0)],
    "coolant_degC": [("°C", 1.0, 0.0), ("degF", 1 / 1.8, -32 / 1.8), ("K", 1.0, -273.15)],
    "battery_V": [("V", 1.0, 0.0), ("mV", 1e-3, 0.0)],
    "valve_steps": [("steps", 1.0, 0.0), ("", 1.0, 0.0)],
    "spark_deg": [("deg", 1.0, 0.0), ("°", 1.0, 0.0)],
    "target_rpm": [("rpm", 1.0, 0.0)],
    "iat_degC": [("C", 1.0, 0.0)],
}
RANGES = {
    "rpm": (0.0, 20000.0), "map_kPa": (5.0, 300.0), "coolant_degC": (-40.0, 150.0),
    "battery_V": (0.0, 30.0), "valve_steps": (-9.0, 999.0), "spark_deg": (-40.0, 60.0),
    "target_rpm": (0.0, 3000.0), "iat_degC": (-40.0, 150.0),
}  # fmt: skip
Table = dict[str, np.ndarray]


@dataclass(frozen=True)
class Dress:
    """How a table is written."""

    delimiter: str
    decimal: str
    encoding: str
    end: str
    quoted: bool
    own_names: bool
    units_row: bool
    trailing: bool
    comments: int
    padding: str
    choice: int


@st.composite
def tables(draw: st.DrawFn) -> Table:
    """Any signals with time and rpm, of any values that are possible."""
    rows = draw(st.integers(10, 40))
    steps = draw(st.lists(st.floats(0.01, 1.9), min_size=rows, max_size=rows))
    # Uneven, but never so that a step is a gap (five usual intervals).
    steps = [max(step, max(steps) / 4.0) for step in steps]
    start = draw(st.floats(-1000.0, 1000.0))
    table = {"time_s": start + np.cumsum(steps)}
    others = draw(st.sets(st.sampled_from(sorted(RANGES))))
    for name in ["rpm", *sorted(others - {"rpm"})]:
        values = st.floats(*RANGES[name], allow_subnormal=False)
        table[name] = np.array(draw(st.lists(values, min_size=rows, max_size=rows)))
        if draw(st.booleans()):
            table[name] = np.round(table[name], draw(st.integers(0, 3)))
    return table


DRESSES = st.builds(
    Dress,
    delimiter=st.sampled_from([",", ";", "\t"]),
    decimal=st.sampled_from([".", ","]),
    encoding=st.sampled_from(["utf-8", "utf-8-sig", "cp1252", "utf-16"]),
    end=st.sampled_from(["\n", "\r\n", "\r"]),
    quoted=st.booleans(),
    own_names=st.booleans(),
    units_row=st.booleans(),
    trailing=st.booleans(),
    comments=st.integers(0, 3),
    padding=st.sampled_from(["", " "]),
    choice=st.integers(0, 10**6),
)


def dressed(written: str, dress: Dress) -> tuple[bytes, dict[str, float]]:
    """The written table in another form, and by how much a value may differ through its unit."""
    table = pd.read_csv(io.StringIO(written))
    random = np.random.default_rng(dress.choice)
    names, units, cells, tolerance = [], [], [], {}
    for name in table.columns:
        unit, scale, offset = UNITS[name][0]
        if not dress.own_names:
            unit, scale, offset = UNITS[name][int(random.integers(len(UNITS[name])))]
        plain = name if dress.own_names else NAMES[name][int(random.integers(len(NAMES[name])))]
        names.append(plain if dress.own_names or dress.units_row else f"{plain} [{unit}]")
        units.append(unit)
        values = table[name].to_numpy(np.float64)
        same = (scale, offset) == (1.0, 0.0)
        tolerance[name] = 0.0 if same else 1e-9
        theirs = values if same else (values - offset) / scale
        cells.append([repr(float(v)).replace(".", dress.decimal) for v in theirs])
    quote = dress.quoted or (dress.decimal == dress.delimiter)
    rows = [names] + ([units] if dress.units_row else []) + [list(row) for row in zip(*cells, strict=True)]
    between = dress.delimiter + ("" if dress.delimiter == "\t" else dress.padding)
    lines = [between.join(f'"{c}"' if quote else c for c in row) for row in rows]
    if dress.trailing:
        lines = [line + dress.delimiter for line in lines]
    for _ in range(dress.comments):
        lines.insert(int(random.integers(len(lines) + 1)), str(random.choice(["# ok", "", "// x"])))
    return (dress.end.join(lines) + dress.end).encode(dress.encoding), tolerance


@settings(max_examples=200, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(table=tables(), dress=DRESSES)
def test_dressed_up_tables_read_back_equal(tmp_path: Path, table: Table, dress: Dress) -> None:
    path = tmp_path / "a.csv"
    write_log(table, path)
    content, tolerance = dressed(path.read_text(encoding="utf-8"), dress)
    path.write_bytes(content)
    log = read_log(path)
    assert set(log.names) == set(table), log.summary()
    for name, values in table.items():
        span = max(1.0, float(np.abs(values).max()))
        read = log.columns()[name]
        assert np.abs(read - values).max() <= tolerance[name] * span, (name, log.summary())
    assert log.parts == (slice(0, table["rpm"].size),)


@settings(max_examples=100, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(table=tables())
def test_our_own_form_reads_back_to_the_last_bit(tmp_path: Path, table: Table) -> None:
    path = tmp_path / "a.csv"
    write_log(table, path)
    log = read_log(path)
    for name, values in table.items():
        np.testing.assert_array_equal(log.columns()[name], values)
    first = path.read_bytes()
    write_log(log, path)
    assert path.read_bytes() == first
