"""Columns are recognised from plain words and standard names, and units turn into ours."""

from __future__ import annotations

import numpy as np
import pytest

from tuning.logs import units as _log_units
from tuning.logs.names import Choice, _mend, choose_columns, count_names
from tuning.logs.signals import BY_NAME, SIGNALS


def chosen(*headers: str, units: tuple[str, ...] = ()) -> dict[str, Choice]:
    return choose_columns(headers, units, {})[0]


@pytest.mark.parametrize(
    ("header", "name", "unit"),
    [
        # The signal names of SAE J1979, as the brief lists them, and misspelt.
        ("ENGINE_RPM", "rpm", ""),
        ("INTAKE_MANIFOLD_PRESSURE ()", "map_kPa", ""),
        ("COOLANT_TEMPERATURE ()", "coolant_degC", ""),
        ("CONTROL_MODULE_VOLTAGE", "battery_V", ""),
        ("TIMING_ADVANCE ()", "spark_deg", ""),
        ("INTAKE_AIR_TEMP ()", "iat_degC", ""),
        ("THROTTLE ()", "throttle_percent", ""),
        ("ENGINE_RUN_TIME ()", "time_s", ""),
        ("ENGINE_RUN_TINE ()", "time_s", ""),
        ("COOLANT_TEMPRATURE", "coolant_degC", ""),
        ("INTAKE_MANIFOLD_PERSSURE", "map_kPa", ""),
        # Plain words, units where people write them.
        ("Time (ms)", "time_s", "ms"),
        ("t/s", "time_s", "s"),
        ("Elapsed time [min]", "time_s", "min"),
        ("timeMs", "time_s", "Ms"),
        ("Engine speed", "rpm", ""),
        ("engineRPM", "rpm", ""),
        ("N [1/min]", "rpm", "1/min"),
        ("Drehzahl 1/min", "rpm", "1/min"),
        ("Régime moteur (tr/min)", "rpm", "tr/min"),
        ("Engine speed (filtered)", "rpm", ""),
        ("MAP (kPa)", "map_kPa", "kPa"),
        ("Pressure in manifold, inHg", "map_kPa", "inHg"),
        ("map_kPa", "map_kPa", "kPa"),
        ("Coolant temp. [degF]", "coolant_degC", "degF"),
        ("Coolant deg C", "coolant_degC", "deg C"),
        ("ECT", "coolant_degC", ""),
        ("Battery", "battery_V", ""),
        ("Batery voltage (mV)", "battery_V", "mV"),
        ("Idle valve steps", "valve_steps", "steps"),
        ("Stepper position", "valve_steps", ""),
        ("IAC", "valve_steps", ""),
        ("Spark advance (deg BTDC)", "spark_deg", "deg BTDC"),
        ("Zündwinkel", "spark_deg", ""),
        ("Target RPM", "target_rpm", "RPM"),
        ("Desired idle speed", "target_rpm", ""),
        ("IAT", "iat_degC", ""),
        ("Throttle position (%)", "throttle_percent", "%"),
        ("Electrical load W", "load_W", "W"),
        ("Vehicle speed (km/h)", "vehicle_speed_km_h", "km/h"),
        ("Engine speed (rpm x 1000)", "rpm", "rpm x 1000"),
        # Plain words of other languages.
        ("Température du liquide de refroidissement", "coolant_degC", ""),
        ("Temperatura del agua", "coolant_degC", ""),
        ("Temperatura refrigerante", "coolant_degC", ""),
        ("Koelvloeistoftemperatuur", "coolant_degC", ""),
        ("Kylvätsketemperatur", "coolant_degC", ""),
        ("Teplota chladicí kapaliny", "coolant_degC", ""),
        ("Leerlaufsteller Schritte", "valve_steps", "Schritte"),
        ("Vanne de ralenti", "valve_steps", ""),
        ("Valvola del minimo", "valve_steps", ""),
        ("Válvula de ralentí", "valve_steps", ""),
        ("Stappenmotor", "valve_steps", ""),
        ("Krokový motor", "valve_steps", ""),
        ("Клапан холостого хода, шаги", "valve_steps", "шаги"),
        ("Шаги клапана холостого хода", "valve_steps", ""),
        ("Температура охлаждающей жидкости, °C", "coolant_degC", "°C"),
        ("ΘΕΡΜΟΚΡΑΣΙΑ ΨΥΚΤΙΚΟΥ", "coolant_degC", ""),
        ("Motor sıcaklığı", "coolant_degC", ""),
        ("Temperatura plynu chlodzacego", "coolant_degC", ""),
        ("冷却水温度 (°C)", "coolant_degC", "°C"),
        ("发动机转速（rpm）", "rpm", "rpm"),
        ("步进电机步数", "valve_steps", ""),
        ("ステップモーター", "valve_steps", ""),
        ("스텝 모터", "valve_steps", ""),
        ("Вентилятор", "load_on", ""),
        ("エアコン", "load_on", ""),
        ("Air conditioning on", "load_on", ""),
        ("RPM (x1000)", "rpm", "x1000"),
    ],
)
def test_names_recognised(header: str, name: str, unit: str) -> None:
    found = chosen(header)
    assert list(found) == [name]
    assert found[name].unit == unit


@pytest.mark.parametrize(
    "header",
    [
        "Fan speed (km/h)", "ENGINE_LOAD ()", "ABSOLUTE_BAROMETRIC_PRESSURE ()",
        "ABSOLUTE_THROTTLE_B ()", "RELATIVE_THROTTLE_POSITION ()", "COMMANDED_THROTTLE_ACTUATOR ()",
        "TIME_RUN_WITH_MIL_ON ()", "TIME_SINCE_TROUBLE_CODES_CLEARED ()", "PEDAL_D ()",
        "CATALYST_TEMPERATURE_BANK1_SENSOR1 ()", "Fuel pressure (kPa)", "Oil temperature", "Lambda",
        "Fan speed (rpm)", "RPM error", "RPM limit", "Dwell time (ms)", "Injection time", "Value",
        "Wheel speed", "Target lambda", "Load", "Load (%)", "Valve (%)", "Throttle (V)",
        "MAP voltage (V)", "V", "deg", "Battery current (A)", "Knock retard (deg)", "Trim (steps)",
        "Exhaust temperature", "AIR (9**9**9**9)", "", "排气温度", "目标温度", "Fan (%)", "Motor",
    ],
)  # fmt: skip
def test_names_of_other_things_are_left_alone(header: str) -> None:
    assert chosen(header) == {}


def test_a_text_is_no_name_and_each_word_is_mended_once() -> None:
    """Found by ``tests.fuzz``: a line of 100 words was mended by the signal and encoding, 3.5 s of it."""
    _mend.cache_clear()
    assert count_names(["made by hnad on a cold mornnig before any of it was tuned " * 5] * 9) == 0
    assert _mend.cache_info().misses == 0
    assert count_names(["Engien speed", "Oil presure", "Engien speed (rpm)"]) == 2
    assert _mend.cache_info().misses == len({"engien", "speed", "oil", "presure"} - {"rpm"})


def test_why_a_likely_column_was_not_used_is_said() -> None:
    _, notes = choose_columns(["TP (V)", "Load"], [], {})
    assert notes == [
        "'TP (V)' looks like throttle_percent but its unit 'V' does not turn into %: not used",
        "'Load' looks like load_W but has no unit of power: not used",
    ]


def test_the_better_name_wins_and_the_other_is_noted() -> None:
    headers = ["Engine speed filtered", "Engine run time", "Time", "RPM"]
    choices, notes = choose_columns(headers, [], {})
    assert (choices["time_s"].column, choices["rpm"].column) == (2, 3)
    assert notes == [
        "time_s: also 'Engine run time', taken from 'Time'",
        "rpm: also 'Engine speed filtered', taken from 'RPM'",
    ]


def test_each_name_is_recognised_by_itself() -> None:
    for signal in SIGNALS:
        assert list(chosen(signal.name)) == [signal.name]
        for name in (*signal.standard, *signal.phrases):
            unit = signal.unit if signal.kind in {"power", "switch"} else ""
            found = chosen(name.upper().replace(" ", "_"), units=(unit,))
            assert list(found) == [signal.name], name


@pytest.mark.parametrize(
    ("name", "unit", "theirs", "ours"),
    [
        # Standard atmosphere 101 325 Pa, 760 mmHg, 29.92 inHg, 14.696 psi (ISO 2533; NIST SP 811
        # appendix B.8).
        ("map_kPa", "kPa", 101.325, 101.325),
        ("map_kPa", "Pa", 101325.0, 101.325),
        ("map_kPa", "mbar", 1013.25, 101.325),
        ("map_kPa", "bar", 1.01325, 101.325),
        ("map_kPa", "mmHg", 760.0, 101.325),
        ("map_kPa", "inHg", 29.9213, 101.325),
        ("map_kPa", "psia", 14.69595, 101.325),
        ("map_kPa", "psig", 0.0, 101.325),
        ("map_kPa", "lbf/in^2", 14.69595, 101.325),
        # Ice and steam point.
        ("coolant_degC", "°F", 32.0, 0.0),
        ("coolant_degC", "Â°F", 212.0, 100.0),
        ("coolant_degC", "K", 373.15, 100.0),
        ("coolant_degC", "deg C", 88.0, 88.0),
        ("battery_V", "mV", 13800.0, 13.8),
        ("time_s", "min", 1.5, 90.0),
        ("time_s", "µs", 1e6, 1.0),
        ("time_s", "h", 1.0, 3600.0),
        ("spark_deg", "rad", np.pi, 180.0),
        ("throttle_percent", "fraction", 0.12, 12.0),
        ("load_W", "kW", 0.3, 300.0),
        ("valve_steps", "counts", 40.0, 40.0),
        # A revolution a minute is no radian a minute: by hand, never by pint.
        ("rpm", "1/min", 850.0, 850.0),
        ("rpm", "U/min", 850.0, 850.0),
        ("rpm", "min⁻¹", 850.0, 850.0),
        ("rpm", "Hz", 850.0 / 60.0, 850.0),
        ("rpm", "rad/s", 2.0 * np.pi * 850.0 / 60.0, 850.0),
        ("target_rpm", "rpm x1000", 0.85, 850.0),
    ],
)
def test_units(name: str, unit: str, theirs: float, ours: float) -> None:
    found = _log_units.conversion(unit, BY_NAME[name])
    assert found is not None
    assert found(np.array([theirs]))[0] == pytest.approx(ours, rel=2e-6, abs=1e-9)


@pytest.mark.parametrize(
    ("name", "unit"),
    [
        ("map_kPa", "V"), ("map_kPa", "furlong"), ("rpm", "km/h"), ("rpm", "deg/s"),
        ("coolant_degC", "%"), ("valve_steps", "%"), ("map_kPa", "9**9**9**9"),
        ("map_kPa", "kPa**kPa"), ("map_kPa", "__import__"), ("map_kPa", "1e400"), ("load_W", "A"),
    ],
)  # fmt: skip
def test_units_of_other_things_are_refused(name: str, unit: str) -> None:
    assert _log_units.conversion(unit, BY_NAME[name]) is None


@pytest.mark.parametrize("unit", ["kPa", "inHg", "psi", "bar", "mbar", "Pa"])
@pytest.mark.parametrize("reached_air", [False, True])
def test_an_unwritten_pressure_unit_is_found_from_idle_values(unit: str, reached_air: bool) -> None:
    signal = BY_NAME["map_kPa"]
    to_kPa = _log_units.conversion(unit, signal)
    assert to_kPa is not None
    idle_kPa = np.linspace(29.0, 44.0, 200)
    values = np.append(idle_kPa, 101.0) if reached_air else idle_kPa
    found = _log_units.pressure_from_values(values / to_kPa.scale, signal)
    assert found is not None
    assert found.unit == unit


def test_a_pressure_that_fits_no_unit_is_not_guessed() -> None:
    assert _log_units.pressure_from_values(np.full(9, -3.0), BY_NAME["map_kPa"]) is None


@pytest.mark.parametrize(
    ("low", "high", "unit"),
    [(-10.0, 105.0, "degC"), (20.0, 90.0, "degC"), (60.0, 195.0, "degF"), (288.0, 365.0, "K")],
)
def test_an_unwritten_temperature_unit_is_found_from_values(low: float, high: float, unit: str) -> None:
    found = _log_units.temperature_from_values(np.array([low, high]))
    assert found.unit == unit


@pytest.mark.parametrize(
    ("interval", "unit"), [(0.01, "s"), (0.5, "s"), (2.0, "s"), (10.0, "ms"), (50000.0, "us")]
)
def test_an_unwritten_time_unit_is_found_from_the_interval(interval: float, unit: str) -> None:
    assert _log_units.time_from_interval(interval).unit == unit
