"""What each signal of a log is: its name, unit, possible values, and the words it goes by.

Plain trade words, SAE J1930 and J1979; the bounds are generous: common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass


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


def _sets(*groups: str) -> tuple[frozenset[str], ...]:
    return tuple(frozenset(group.split()) for group in groups)


_WISHES = "target desired setpoint wanted demanded requested goal"
_NOT_A_SAMPLE = "error limit limiter delta change gradient derivative rate minimum maximum fault code"

SIGNALS: tuple[Signal, ...] = (
    Signal(
        "time_s", "time", "s", -1e12, 1e12,
        ("engine run time",),
        (
            "time", "t", "elapsed time", "time elapsed", "elapsed", "log time", "recording time",
            "test time", "seconds", "time stamp", "timestamp", "date time", "datetime",
            "date and time", "time of day", "clock", "clock time", "run time", "runtime",
            "time since start", "time since engine start", "zeit", "temps", "tempo", "tiempo",
            "date",
        ),
        (),
        frozenset(),
    ),
    Signal(
        "rpm", "speed", "rpm", 0.0, 20000.0,
        ("engine rpm",),
        (
            "rpm", "engine speed", "engine revolutions", "engine revs", "revs", "revolutions",
            "crankshaft speed", "crank speed", "idle speed", "n", "motordrehzahl", "drehzahl",
            "regime moteur", "regime", "giri motore", "giri", "regimen del motor",
        ),
        _sets("rpm", "engine speed", "crankshaft speed", "crank speed", "idle speed"),
        frozenset(
            f"{_WISHES} {_NOT_A_SAMPLE} commanded vehicle wheel fan pump turbo turbine alternator "
            "gearbox shaft input output steps".split()
        ),
    ),
    Signal(
        "map_kPa", "pressure", "kPa", 0.0, 400.0,
        ("intake manifold pressure",),
        (
            "map", "manifold absolute pressure", "intake manifold absolute pressure",
            "manifold pressure", "inlet manifold pressure", "intake pressure", "inlet pressure",
            "saugrohrdruck", "pression admission", "pressione collettore",
        ),
        _sets("manifold pressure", "intake pressure", "inlet pressure", "map"),
        frozenset(
            f"{_WISHES} {_NOT_A_SAMPLE} barometric exhaust fuel oil ambient voltage table".split()
        ),
    ),
    Signal(
        "coolant_degC", "temperature", "degC", -60.0, 200.0,
        ("coolant temperature", "engine coolant temperature"),
        (
            "coolant", "ect", "water temperature", "engine temperature", "water",
            "cylinder head temperature", "head temperature", "kuhlmitteltemperatur",
            "kuehlmitteltemperatur", "wassertemperatur", "motortemperatur", "temperature eau",
            "temperature acqua",
        ),
        _sets("coolant temperature", "coolant", "water temperature", "engine temperature"),
        frozenset(
            f"{_WISHES} {_NOT_A_SAMPLE} level pressure fan oil correction enrichment trim outlet "
            "catalyst pump".split()
        ),
    ),
    Signal(
        "battery_V", "voltage", "V", 0.0, 60.0,
        ("control module voltage",),
        (
            "battery voltage", "battery", "supply voltage", "system voltage", "electrical voltage",
            "voltage", "volts", "alternator voltage", "charging voltage", "batteriespannung",
            "batterie", "bordspannung", "tension batterie", "tensione batteria",
        ),
        _sets("battery voltage", "battery", "supply voltage", "system voltage"),
        frozenset(
            f"{_WISHES} {_NOT_A_SAMPLE} current temperature correction sensor oxygen charge".split()
        ),
    ),
    Signal(
        "valve_steps", "steps", "steps", -1000.0, 10000.0,
        (),
        (
            "valve steps", "commanded steps", "valve steps commanded", "idle valve steps",
            "stepper steps", "stepper position", "stepper", "steps", "idle valve position",
            "idle valve", "valve position", "bypass valve", "bypass valve position",
            "idle air control", "iac", "idle air valve", "schrittmotor", "schritte", "valve",
        ),
        _sets("valve steps", "stepper", "idle valve", "bypass valve", "iac", "idle air control"),
        frozenset(
            f"{_NOT_A_SAMPLE} exhaust purge egr duty moves per current temperature "
            "voltage".split()
        ),
    ),
    Signal(
        "spark_deg", "angle", "deg", -90.0, 90.0,
        ("timing advance",),
        (
            "spark", "spark advance", "ignition advance", "ignition angle", "ignition timing",
            "spark angle", "spark timing", "ignition", "advance", "timing", "zundwinkel",
            "zuendwinkel", "avance allumage", "anticipo",
        ),
        _sets("spark advance", "ignition advance", "ignition timing", "ignition angle", "spark"),
        frozenset(
            f"{_WISHES} {_NOT_A_SAMPLE} dwell retard knock trim correction cut cam camshaft "
            "table voltage".split()
        ),
    ),
    Signal(
        "target_rpm", "speed", "rpm", 0.0, 20000.0,
        (),
        (
            "target rpm", "rpm target", "target idle", "idle target", "target idle speed",
            "target speed", "target engine speed", "target", "desired rpm", "desired idle speed",
            "setpoint", "solldrehzahl", "regime consigne",
        ),
        tuple(
            frozenset((wish, what))
            for wish in [*_WISHES.split(), "commanded"]
            for what in ("rpm", "idle", "speed")
        ),
        frozenset(f"{_NOT_A_SAMPLE} vehicle fan pump turbo lambda mixture steps valve air".split()),
    ),
    Signal(
        "iat_degC", "temperature", "degC", -60.0, 250.0,
        ("intake air temperature",),
        (
            "iat", "air temperature", "inlet air temperature", "intake temperature",
            "manifold air temperature", "charge temperature", "charge air temperature",
            "ansauglufttemperatur", "lufttemperatur", "temperature air",
        ),
        _sets("intake air temperature", "inlet air temperature", "intake temperature",
              "manifold temperature", "iat"),
        frozenset(
            f"{_WISHES} {_NOT_A_SAMPLE} ambient outside exhaust cabin correction trim".split()
        ),
    ),
    Signal(
        "throttle_percent", "share", "%", -50.0, 150.0,
        ("throttle", "throttle position", "absolute throttle position"),
        (
            "throttle opening", "tp", "throttle plate", "throttle angle", "drosselklappe",
            "papillon", "farfalla",
        ),
        _sets("throttle position", "throttle opening", "throttle"),
        frozenset(
            f"{_WISHES} {_NOT_A_SAMPLE} relative commanded actuator pedal closed b c voltage "
            "area".split()
        ),
    ),
    Signal(
        "load_W", "power", "W", -1e5, 1e5,
        (),
        ("electrical load", "electrical power", "electric load", "load power", "load"),
        _sets("electrical load", "electrical power", "alternator power", "accessory power"),
        frozenset(f"{_WISHES} {_NOT_A_SAMPLE} engine calculated absolute current".split()),
    ),
    Signal(
        "vehicle_speed_km_h", "road speed", "km/h", -1.0, 500.0,
        ("vehicle speed",),
        (
            "road speed", "car speed", "driving speed", "fahrgeschwindigkeit",
            "vitesse vehicule", "velocita veicolo", "velocidad del vehiculo",
        ),
        _sets("vehicle speed", "road speed"),
        frozenset(f"{_WISHES} {_NOT_A_SAMPLE} engine cruise control".split()),
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
    "actual": "", "measured": "", "the": "", "of": "",
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
