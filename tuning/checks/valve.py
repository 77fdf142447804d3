"""Checks of the valve: which way it opens, homing, step timing, travel."""

from __future__ import annotations

from math import ceil
from typing import NamedTuple

from controllers import curve_at
from sim import Car
from tuning.checks.lines import CheckLine, judged, line
from tuning.notes import Note

HOMING_MARGIN = 1.25  # Homing drives at least this many times the travel [-].
LONGEST_HOMING_s = 2.0
COLD_degC, HOT_degC = -20.0, 90.0
"""Engine, and coil with it, in the starts by which the pulse is judged [degC]."""
CRANKED_s = 1.0  # The starter pulls the battery lowest as it begins to turn [s].
SHORTEST_REST_ms = 1.0
SPARE_ms = 0.1  # A pulse is advised this much longer than needed [ms].


def valve_checks(car: Car) -> list[CheckLine]:
    """Check valve, homing and timing.

    Direction, homing reach and time, pulse, rest, travel, backlash, slew.
    """
    needed = _pulses(car)
    timing = [_pulse(car, needed), _hot_cranking(car, needed)]
    moving = (_rest, _open_limit, _useful_travel, _backlash, _slew)
    backwards = car.valve.wired_reversed
    wired = line("direction", "fail" if backwards else "pass", None, "", {"reversed": backwards})
    return [wired, _homing_reach(car), _homing_time(car), *timing, *(one(car) for one in moving)]


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
    fails = margin < 0 or astray or not valve.travel_counted
    remedy = Note("checks.homing_reach.do", homing_steps=_advised_homing(car))
    if not valve.travel_counted:
        remedy = Note("checks.homing_reach.count")
    if astray:
        remedy = Note("checks.homing_reach.swap_first")
    return line(
        "homing_reach", judged(fails, valve.homing_steps < HOMING_MARGIN * farthest), float(margin), "steps",
        {"homing_steps": valve.homing_steps, "margin": margin, "farthest": farthest, "astray": astray,
         "counted": valve.travel_counted},
        remedy,
    )  # fmt: skip


def _homing_time(car: Car) -> CheckLine:
    valve = car.valve
    seconds = valve.homing_steps * valve.step_ms / 1000.0
    return line(
        "homing_time", judged(False, seconds > LONGEST_HOMING_s), seconds, "s",
        {"takes_s": seconds, "most_s": LONGEST_HOMING_s},
    )  # fmt: skip


def lowest_cranking_V(car: Car, start_degC: float) -> float:
    """Let the starter turn the engine in the model, and read its battery."""
    from sim import Scenario, simulate

    events = [{"at_s": 0.1, "set": "key", "to": "crank"}]
    values = {
        "name": "cranking", "start": "key_on", "duration_s": 0.1 + CRANKED_s,
        "coolant_degC": start_degC, "ambient_degC": min(start_degC, 40.0), "event": events,
    }  # fmt: skip
    return float(simulate(car, Scenario.model_validate(values), seed=0)["battery_V"].min())


def idle_output_W(car: Car) -> float:
    """Most that the alternator gives at warm idle [W]."""
    from sim.car_record import car_row
    from sim.crank import alternator_target
    from sim.sensors import RPM_PER_rad_s

    row = car_row(car)
    idle_rad_s = curve_at(car.curves.target_rpm, HOT_degC) / RPM_PER_rad_s
    cut_in, endless = row["cut_in_rad_s"].item(), row["alternator_endless_W"].item()
    return float(alternator_target(1.0e9, idle_rad_s, cut_in, endless, car.electrics.alternator_max_W))


def loaded_idle_V(car: Car) -> float:
    """Battery of a warm idle with everything electric on, the fan just starting [V]."""
    from sim.crank import battery_volts
    from sim.prepare import FAN_INRUSH

    electrics, loads = car.electrics, car.loads
    drawn = electrics.base_W + loads.lamps_W + loads.screen_W + FAN_INRUSH * loads.fan_W
    full_V, ohm = electrics.regulated_V, electrics.battery_ohm
    return float(battery_volts(full_V, car.starter.resting_V, ohm, drawn, idle_output_W(car)))


def _needed_ms(car: Car, volts: float, coil_degC: float) -> float:
    from sim.valve import needed_pulse_s

    return 1000.0 * needed_pulse_s(car.valve.pull_in_ms / 1000.0, volts, coil_degC)


class _Pulses(NamedTuple):
    """Pulses below which steps are lost [ms], and the battery's lowest voltages [V]."""

    running_ms: float
    loaded_ms: float
    cold_ms: float
    hot_ms: float
    loaded_V: float
    cold_V: float
    hot_V: float

    @property
    def advised_ms(self) -> float:
        """Enough while running, and while cranked cold [ms]."""
        return ceil(10.0 * self.longest_ms) / 10.0 + SPARE_ms

    @property
    def longest_ms(self) -> float:
        """Enough running, with everything on, and while cranked cold [ms]."""
        return max(self.running_ms, self.loaded_ms, self.cold_ms)


def _pulses(car: Car) -> _Pulses:
    loaded_V = loaded_idle_V(car)
    cold_V, hot_V = (lowest_cranking_V(car, degC) for degC in (COLD_degC, HOT_degC))
    running_ms, loaded_ms, hot_ms = (
        _needed_ms(car, volts, HOT_degC) for volts in (car.electrics.regulated_V, loaded_V, hot_V)
    )
    cold_ms = _needed_ms(car, cold_V, COLD_degC)
    return _Pulses(running_ms, loaded_ms, cold_ms, hot_ms, loaded_V, cold_V, hot_V)


def _pulse(car: Car, needed: _Pulses) -> CheckLine:
    pulse_ms = car.valve.pulse_ms
    return line(
        "pulse", judged(pulse_ms < needed.running_ms, pulse_ms < needed.longest_ms), pulse_ms, "ms",
        {"pulse_ms": pulse_ms, "running_ms": needed.running_ms, "loaded_ms": needed.loaded_ms,
         "loaded_V": needed.loaded_V, "cold_ms": needed.cold_ms, "cold_V": needed.cold_V,
         "cold_degC": COLD_degC},
        {"advised_ms": needed.advised_ms},
    )  # fmt: skip


def still_after_s(car: Car, needed: _Pulses) -> float:
    """How long the valve moves after the key on, homing and pulse being as advised."""
    valve = car.valve
    too_short = valve.pulse_ms < needed.longest_ms
    pulse_ms = needed.advised_ms if too_short else valve.pulse_ms
    homing = valve.homing_steps
    if homing < HOMING_MARGIN * _farthest(car):
        homing = _advised_homing(car)
    cranking = min(curve_at(car.curves.cranking_steps, HOT_degC), float(valve.open_limit_steps))
    seconds = (homing + ceil(cranking)) * (pulse_ms + max(valve.rest_ms, SHORTEST_REST_ms)) / 1000.0
    return ceil(10.0 * seconds) / 10.0


def _hot_cranking(car: Car, needed: _Pulses) -> CheckLine:
    pulse_ms, hot_ms = car.valve.pulse_ms, needed.hot_ms
    return line(
        "hot_cranking", judged(False, pulse_ms < hot_ms), pulse_ms, "ms",
        {"pulse_ms": pulse_ms, "hot_ms": hot_ms, "hot_V": needed.hot_V, "hot_degC": HOT_degC},
        {"wait_s": still_after_s(car, needed), "advised_ms": ceil(10.0 * hot_ms) / 10.0 + SPARE_ms},
    )  # fmt: skip


def _rest(car: Car) -> CheckLine:
    rest_ms = car.valve.rest_ms
    return line(
        "rest", judged(False, rest_ms < SHORTEST_REST_ms), rest_ms, "ms",
        {"rest_ms": rest_ms, "least_ms": SHORTEST_REST_ms}, {"least_ms": SHORTEST_REST_ms},
    )  # fmt: skip


def _open_limit(car: Car) -> CheckLine:
    valve = car.valve
    beyond = valve.open_limit_steps - valve.travel_steps
    return line(
        "open_limit", judged(beyond > 0, False), float(-beyond), "steps",
        {"limit": valve.open_limit_steps, "travel_steps": valve.travel_steps},
        {"travel_steps": valve.travel_steps},
    )  # fmt: skip


def _useful_travel(car: Car) -> CheckLine:
    valve = car.valve
    unused = valve.useful_travel_steps - valve.open_limit_steps
    return line(
        "useful_travel", judged(False, unused > 0), float(-unused), "steps",
        {"limit": valve.open_limit_steps, "useful_steps": valve.useful_travel_steps},
        {"useful_steps": valve.useful_travel_steps},
    )  # fmt: skip


def _backlash(car: Car) -> CheckLine:
    play, move = car.valve.backlash_steps, car.feedback.min_move_steps
    return line(
        "backlash", judged(False, play > 0.0 and play >= move), play, "steps",
        {"play_steps": play, "move": move},
    )  # fmt: skip


def _slew(car: Car) -> CheckLine:
    valve, feedback = car.valve, car.feedback
    move_ms = feedback.min_move_steps * valve.step_ms
    period_ms = feedback.update_period_ms
    return line(
        "slew", judged(False, feedback.acts and move_ms > period_ms), move_ms, "ms",
        {"move_ms": move_ms, "period_ms": period_ms}, {"move_ms": move_ms},
    )  # fmt: skip
