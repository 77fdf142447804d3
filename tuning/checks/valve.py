"""Checks of the valve: which way it opens, homing, step timing, travel."""

from __future__ import annotations

from math import ceil
from typing import NamedTuple

from controllers import curve_at
from sim import Car
from tuning.checks.lines import CheckLine, judged

HOMING_MARGIN = 1.25
"""Homing drives at least this many times the travel [-]."""
LONGEST_HOMING_s = 2.0
COLD_degC, HOT_degC = -20.0, 90.0
"""Engine, and coil with it, in the starts by which the pulse is judged [degC]."""
CRANKED_s = 1.0
"""The starter pulls the battery lowest as it begins to turn [s]."""
SHORTEST_REST_ms = 1.0
SPARE_ms = 0.1
"""A pulse is advised this much longer than needed [ms]."""


def valve_checks(car: Car) -> list[CheckLine]:
    """Check valve, homing and timing.

    Parameters
    ----------
    car : Car
        The car.

    Returns
    -------
    list of CheckLine
        Direction, homing reach and time, pulse, rest, travel, backlash, slew.
    """
    needed = _pulses(car)
    return [
        _direction(car),
        _homing_reach(car),
        _homing_time(car),
        _pulse(car, needed),
        _hot_cranking(car, needed),
        _rest(car),
        _open_limit(car),
        _useful_travel(car),
        _backlash(car),
        _slew(car),
    ]


def _direction(car: Car) -> CheckLine:
    reversed_ = car.valve.wired_reversed
    return CheckLine(
        "direction",
        "fail" if reversed_ else "pass",
        None,
        "",
        ("steps meant to open close it" if reversed_ else "opening steps open")
        + ", by the car file; test it: warm, feedback off, a hand on the key, 4 steps more must"
        " raise rpm, 4 fewer lower it",
        "wired the wrong way round, feedback drives the engine away from its target",
        "swap the two wires of one coil, and test again",
    )


def _farthest(car: Car) -> int:
    return max(car.valve.travel_steps, car.valve.open_limit_steps)


def _advised_homing(car: Car) -> int:
    """Homing that reaches the seat with room to spare [steps]."""
    return round(2 * _farthest(car))


def _homing_reach(car: Car) -> CheckLine:
    valve = car.valve
    farthest = _farthest(car)
    margin = valve.homing_steps - farthest
    astray = valve.wired_reversed
    return CheckLine(
        "homing reaches the seat",
        judged(margin < 0 or astray, valve.homing_steps < HOMING_MARGIN * farthest),
        float(margin),
        "steps",
        f"{valve.homing_steps} steps, {margin} more than the farthest position, {farthest}"
        + ("; they drive it open, as it is wired the wrong way round" if astray else ""),
        "homing must end at the seat from wherever the valve stood, also if steps were lost; what a"
        " miss does for an hour: simulate --scenario cold_hour, with some --seed (where the valve"
        " was left is chance)",
        "swap the two wires of one coil first"
        if astray
        else f"drive {_advised_homing(car)} steps closed at power-up, twice the farthest position",
    )


def _homing_time(car: Car) -> CheckLine:
    valve = car.valve
    seconds = valve.homing_steps * (valve.pulse_ms + valve.rest_ms) / 1000.0
    return CheckLine(
        "homing time",
        judged(False, seconds > LONGEST_HOMING_s),
        seconds,
        "s",
        f"{seconds:.2f} s, best below {LONGEST_HOMING_s:g} s",
        "until it is homed the valve cannot be where cranking wants it",
        "home with fewer steps or a shorter rest, or after the engine is switched off",
    )


def lowest_cranking_V(car: Car, start_degC: float) -> float:
    """Let the starter turn the engine in the model, and read its battery.

    Gives lowest voltage as the starter begins to turn [V].
    """
    from sim import Scenario, simulate

    events = [{"at_s": 0.1, "set": "key", "to": "crank"}]
    values = {
        "name": "cranking", "start": "key_on", "duration_s": 0.1 + CRANKED_s,
        "coolant_degC": start_degC, "ambient_degC": min(start_degC, 40.0), "event": events,
    }  # fmt: skip
    return float(simulate(car, Scenario.model_validate(values), seed=0)["battery_V"].min())


def _needed_ms(car: Car, volts: float, coil_degC: float) -> float:
    from sim.valve import needed_pulse_s

    return 1000.0 * needed_pulse_s(car.valve.pull_in_ms / 1000.0, volts, coil_degC)


class _Pulses(NamedTuple):
    """Pulses below which steps are lost [ms], and the battery's lowest voltages [V]."""

    running_ms: float
    cold_ms: float
    hot_ms: float
    cold_V: float
    hot_V: float

    @property
    def advised_ms(self) -> float:
        """Enough while running, and while cranked cold [ms]."""
        return ceil(10.0 * max(self.running_ms, self.cold_ms)) / 10.0 + SPARE_ms


def _pulses(car: Car) -> _Pulses:
    cold_V, hot_V = (lowest_cranking_V(car, degC) for degC in (COLD_degC, HOT_degC))
    return _Pulses(
        _needed_ms(car, car.electrics.regulated_V, HOT_degC),
        _needed_ms(car, cold_V, COLD_degC),
        _needed_ms(car, hot_V, HOT_degC),
        cold_V,
        hot_V,
    )


def _pulse(car: Car, needed: _Pulses) -> CheckLine:
    pulse_ms = car.valve.pulse_ms
    running_ms, cold_ms, cold_V = needed.running_ms, needed.cold_ms, needed.cold_V
    return CheckLine(
        "pulse",
        judged(pulse_ms < running_ms, pulse_ms < cold_ms),
        pulse_ms,
        "ms",
        f"{pulse_ms:g} ms; needed {running_ms:.1f} ms running with a hot coil, {cold_ms:.1f} ms"
        f" when the starter pulls the battery to {cold_V:.1f} V at {COLD_degC:g} degC",
        "a pulse too short for voltage and coil lets the motor skip, and position is lost",
        f"set {needed.advised_ms:.1f} ms or more",
    )


def still_after_s(car: Car, needed: _Pulses) -> float:
    """How long the valve moves after the key on, homing and pulse being as advised.

    Gives until it is homed and stands where cranking a hot engine wants it; rounded up [s].
    """
    valve = car.valve
    too_short = valve.pulse_ms < max(needed.running_ms, needed.cold_ms)
    pulse_ms = needed.advised_ms if too_short else valve.pulse_ms
    homing = valve.homing_steps
    if homing < HOMING_MARGIN * _farthest(car):
        homing = _advised_homing(car)
    cranking = min(curve_at(car.curves.cranking_steps, HOT_degC), float(valve.open_limit_steps))
    seconds = (homing + ceil(cranking)) * (pulse_ms + max(valve.rest_ms, SHORTEST_REST_ms)) / 1000.0
    return ceil(10.0 * seconds) / 10.0


def _hot_cranking(car: Car, needed: _Pulses) -> CheckLine:
    pulse_ms, hot_ms, hot_V = car.valve.pulse_ms, needed.hot_ms, needed.hot_V
    return CheckLine(
        "pulse while cranked hot",
        judged(False, pulse_ms < hot_ms),
        pulse_ms,
        "ms",
        f"{pulse_ms:g} ms; needed {hot_ms:.1f} ms at {hot_V:.1f} V with a coil at {HOT_degC:g}"
        " degC",
        "if the valve still moves while the starter pulls the battery down, a hot coil takes too"
        " little current and steps are lost: after homing nothing finds them again",
        f"leave the key on for {still_after_s(car, needed):.1f} s before cranking a hot engine, so"
        " that the valve is homed and stands where cranking wants it, or set"
        f" {ceil(10.0 * hot_ms) / 10.0 + SPARE_ms:.1f} ms or more",
    )


def _rest(car: Car) -> CheckLine:
    rest_ms = car.valve.rest_ms
    return CheckLine(
        "rest",
        judged(False, rest_ms < SHORTEST_REST_ms),
        rest_ms,
        "ms",
        f"{rest_ms:g} ms, {SHORTEST_REST_ms:g} ms suffices",
        "the rotor must come to rest before the next step, and the coil stay cool",
        f"set {SHORTEST_REST_ms:g} ms",
    )


def _open_limit(car: Car) -> CheckLine:
    valve = car.valve
    beyond = valve.open_limit_steps - valve.travel_steps
    return CheckLine(
        "open limit within travel",
        judged(beyond > 0, False),
        float(-beyond),
        "steps",
        f"open limit {valve.open_limit_steps}, hard stop at {valve.travel_steps} steps",
        "steps counted against the hard stop are not made, and position is lost",
        f"set the open limit to {valve.travel_steps} steps or less",
    )


def _useful_travel(car: Car) -> CheckLine:
    valve = car.valve
    unused = valve.useful_travel_steps - valve.open_limit_steps
    return CheckLine(
        "useful travel is used",
        judged(False, unused > 0),
        float(-unused),
        "steps",
        f"open limit {valve.open_limit_steps}, useful travel {valve.useful_travel_steps} steps",
        "an open limit below useful travel gives away air for cold starts and loads",
        f"set the open limit to {valve.useful_travel_steps} steps or a little more",
    )


def _backlash(car: Car) -> CheckLine:
    play, move = car.valve.backlash_steps, car.feedback.min_move_steps
    return CheckLine(
        "backlash",
        judged(False, play > 0.0 and play >= move),
        play,
        "steps",
        f"{play:g} steps, minimum move {move}",
        "a move smaller than the play does nothing after a reversal",
        "take a valve without play, or a minimum move above it",
    )


def _slew(car: Car) -> CheckLine:
    valve, feedback = car.valve, car.feedback
    move_ms = feedback.min_move_steps * (valve.pulse_ms + valve.rest_ms)
    period_ms = feedback.update_period_ms
    return CheckLine(
        "valve keeps up with updates",
        judged(False, feedback.law != "none" and move_ms > period_ms),
        move_ms,
        "ms",
        f"{move_ms:g} ms for a minimum move, {period_ms:g} ms between updates",
        "decisions faster than the valve can follow chase a target that has moved on",
        f"set the update period to {move_ms:g} ms or more",
    )
