"""What each signal of a log is: its name, unit, possible values, and the words it goes by.

Plain trade words, SAE J1930 and J1979; the bounds are generous: common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True)
class Signal:
    """One signal that a log may hold, its SAE J1979 and other names, and values that are no measurement."""

    name: str
    kind: str
    unit: str
    lowest: float
    highest: float
    standard: tuple[str, ...]
    phrases: tuple[str, ...]
    words: tuple[frozenset[str], ...]
    never: frozenset[str]


def _names_abroad() -> dict[str, tuple[str, ...]]:
    """Names by signal in other languages, from the list beside this file."""
    names: dict[str, tuple[str, ...]] = {}
    for line in Path(__file__).with_name("names_abroad.txt").read_text("utf-8").splitlines()[1:]:
        name, _, words = line.partition(": ")
        names[name] = (*names.get(name, ()), *words.split(", "))
    return names


ABROAD = _names_abroad()


def _signal(
    name: str, kind: str, unit: str, lowest: float, highest: float,
    standard: str = "", phrases: str = "", words: str = "", never: str = "",
) -> Signal:  # fmt: skip
    """A signal from its names, phrases and sets of words, each in one text with commas between."""
    spoken, written = (tuple(text.split(", ")) if text else () for text in (phrases, standard))
    sets = tuple(frozenset(one.split()) for one in words.split(", ") if one)
    spoken += ABROAD.get(name, ())
    return Signal(name, kind, unit, lowest, highest, written, spoken, sets, frozenset(never.split()))


_WISHES = "target desired setpoint wanted demanded requested goal"
_NOT_A_SAMPLE = "error limit limiter delta change gradient derivative rate minimum maximum fault code"

SIGNALS: tuple[Signal, ...] = (
    _signal(
        "time_s", "time", "s", -1e12, 1e12,
        standard="engine run time",
        phrases=(
            "time, t, elapsed time, time elapsed, elapsed, log time, recording time, test time, seconds, "
            "time stamp, timestamp, date time, datetime, date and time, time of day, clock, clock time, "
            "run time, runtime, time since start, time since engine start, date"
        ),
    ),
    _signal(
        "rpm", "speed", "rpm", 0.0, 20000.0,
        standard="engine rpm",
        phrases=(
            "rpm, engine speed, engine revolutions, engine revs, revs, revolutions, crankshaft speed, "
            "crank speed, idle speed, n"
        ),
        words="rpm, engine speed, crankshaft speed, crank speed, idle speed",
        never=(
            f"{_WISHES} {_NOT_A_SAMPLE} commanded vehicle wheel fan pump turbo turbine alternator gearbox "
            "shaft input output steps"
        ),
    ),
    _signal(
        "map_kPa", "pressure", "kPa", 0.0, 400.0,
        standard="intake manifold pressure",
        phrases=(
            "map, manifold absolute pressure, intake manifold absolute pressure, manifold pressure, "
            "inlet manifold pressure, intake pressure, inlet pressure"
        ),
        words="manifold pressure, intake pressure, inlet pressure, map",
        never=f"{_WISHES} {_NOT_A_SAMPLE} barometric exhaust fuel oil ambient voltage table",
    ),
    _signal(
        "coolant_degC", "temperature", "degC", -60.0, 200.0,
        standard="coolant temperature, engine coolant temperature",
        phrases=(
            "coolant, ect, water temperature, engine temperature, water, cylinder head temperature, "
            "head temperature"
        ),
        words="coolant temperature, coolant, water temperature, engine temperature",
        never=(
            f"{_WISHES} {_NOT_A_SAMPLE} level pressure fan oil correction enrichment trim outlet catalyst "
            "pump"
        ),
    ),
    _signal(
        "battery_V", "voltage", "V", 0.0, 60.0,
        standard="control module voltage",
        phrases=(
            "battery voltage, battery, supply voltage, system voltage, electrical voltage, voltage, volts, "
            "alternator voltage, charging voltage"
        ),
        words="battery voltage, battery, supply voltage, system voltage",
        never=f"{_WISHES} {_NOT_A_SAMPLE} current temperature correction sensor oxygen charge",
    ),
    _signal(
        "valve_steps", "steps", "steps", -1000.0, 10000.0,
        phrases=(
            "valve steps, commanded steps, valve steps commanded, idle valve steps, stepper steps, "
            "stepper position, stepper, steps, idle valve position, idle valve, valve position, "
            "bypass valve, bypass valve position, idle air control, iac, idle air valve, valve"
        ),
        words="valve steps, stepper, idle valve, bypass valve, iac, idle air control",
        never=f"{_NOT_A_SAMPLE} exhaust purge egr duty moves per current temperature voltage",
    ),
    _signal(
        "spark_deg", "angle", "deg", -90.0, 90.0,
        standard="timing advance",
        phrases=(
            "spark, spark advance, ignition advance, ignition angle, ignition timing, spark angle, "
            "spark timing, ignition, advance, timing"
        ),
        words="spark advance, ignition advance, ignition timing, ignition angle, spark",
        never=f"{_WISHES} {_NOT_A_SAMPLE} dwell retard knock trim correction cut cam camshaft table voltage",
    ),
    _signal(
        "target_rpm", "speed", "rpm", 0.0, 20000.0,
        phrases=(
            "target rpm, rpm target, target idle, idle target, target idle speed, target speed, "
            "target engine speed, target, desired rpm, desired idle speed, setpoint"
        ),
        words=", ".join(
            f"{wish} {what}" for wish in f"{_WISHES} commanded".split() for what in ("rpm", "idle", "speed")
        ),
        never=f"{_NOT_A_SAMPLE} vehicle fan pump turbo lambda mixture steps valve air",
    ),
    _signal(
        "iat_degC", "temperature", "degC", -60.0, 250.0,
        standard="intake air temperature",
        phrases=(
            "iat, air temperature, inlet air temperature, intake temperature, manifold air temperature, "
            "charge temperature, charge air temperature"
        ),
        words="intake air temperature, inlet air temperature, intake temperature, manifold temperature, iat",
        never=f"{_WISHES} {_NOT_A_SAMPLE} ambient outside exhaust cabin correction trim",
    ),
    _signal(
        "throttle_percent", "share", "%", -50.0, 150.0,
        standard="throttle, throttle position, absolute throttle position",
        phrases="throttle opening, tp, throttle plate, throttle angle",
        words="throttle position, throttle opening, throttle",
        never=f"{_WISHES} {_NOT_A_SAMPLE} relative commanded actuator pedal closed b c voltage area",
    ),
    _signal(
        "load_W", "power", "W", -1e5, 1e5,
        phrases="electrical load, electrical power, electric load, load power, load",
        words="electrical load, electrical power, alternator power, accessory power",
        never=f"{_WISHES} {_NOT_A_SAMPLE} engine calculated absolute current",
    ),
    _signal(
        "vehicle_speed_km_h", "road speed", "km/h", -1.0, 500.0,
        standard="vehicle speed",
        phrases="road speed, car speed, driving speed",
        words="vehicle speed, road speed",
        never=f"{_WISHES} {_NOT_A_SAMPLE} engine cruise control",
    ),
    _signal(
        "load_on", "switch", "0/1", 0.0, 1e6,
        phrases=(
            "load on, load switch, load, fan, fan on, fan relay, fan switch, electric fan, cooling fan, "
            "radiator fan, air conditioning, air conditioning on, air conditioning clutch, compressor, "
            "air conditioning compressor, compressor clutch, headlamps, headlights, lamps, lights, "
            "heated rear window"
        ),
    ),
)  # fmt: skip

BY_NAME: dict[str, Signal] = {signal.name: signal for signal in SIGNALS}

# Short forms of the words above, and words that stand for one another.
SAME_WORD: dict[str, str] = {
    "temp": "temperature", "tmp": "temperature", "temperatur": "temperature",
    "press": "pressure", "pres": "pressure", "volt": "voltage", "volts": "voltage",
    "batt": "battery", "bat": "battery", "eng": "engine", "pos": "position", "adv": "advance",
    "ign": "ignition", "tgt": "target", "cmd": "commanded", "command": "commanded",
    "step": "steps", "set": "setpoint", "tps": "throttle", "elec": "electrical", "sec": "seconds",
    "secs": "seconds", "baro": "barometric", "max": "maximum", "min": "minimum",
    "actual": "", "measured": "", "the": "", "of": "", "de": "", "du": "", "da": "", "del": "",
    "do": "", "la": "", "le": "", "el": "", "l": "", "dell": "", "della": "", "des": "",
}  # fmt: skip

# Words of other signals, so that they are never taken for a slip of the pen in one of ours.
_OTHER = """
    value values timer mode code mile tire tyre rate road load lead lane size tide tile fuel oil
    gear lambda mixture pulse pulses knock cam noise state status note marker index sample
    counter number name date day duty distance pedal level flow mass trim bank sensor catalyst
    equivalence ratio command relative absolute evaporative purge tank warm cleared trouble codes
    since vehicle wheel brake clutch gas short long term correction gain enable enabled flag
    loops loop seats heat heater fan lamp lamps steering aircon
"""
OTHER_WORDS: frozenset[str] = frozenset(_OTHER.split())
