"""Settings by rule that should rest, and copies of a car in which one possible cause of hunting is off."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from controllers import LAWS, law_of
from sim import Car, with_values
from tuning.loop import (
    IdlePoint,
    LinearView,
    Treads,
    WIDEST_DEADBAND_rpm,
    calm_settings,
    smallest_useful_move,
)
from tuning.notes import Note

ROOM = 1.1  # The deadband is this much wider than the geometry asks, for a worth of a step not known well.
SCATTERS = 2.0  # Standard deviations of scatter added to it: the valve then moves seldom [-].
BORDER_LEAST = 3.0  # Suggested gains stay this factor below those at which the loop swings by itself [-].
ROUND_rpm = 5.0
RULED = "pi"  # The law for which the rules give gains.
ROUND_gain = 0.1


def suggested_settings(car: Car, point: IdlePoint, scatter_rpm: float) -> dict[str, Any]:
    """Simple settings that should rest: a starting point, not a search.

    The car's update period, limits and law are kept, but ``nudge`` and ``pid`` become ``pi``; the point is
    its warm idle, the scatter that of the speed read with the valve held (standard deviation). Gives keys of
    table [feedback]; none where feedback is off or the engine does not hold its speed.

    Gains by the AMIGO rule, lowered if need be; the smallest move that can be told from scatter;
    a deadband that always holds a position, and two standard deviations more, if that is one to drive with.
    Source: ``tuning.loop.rules``, ``tuning.loop.lattice``.
    """
    if not car.feedback.acts or not point.plant.is_stable():
        return {}
    worth = point.rpm_per_step
    move = smallest_useful_move(worth, scatter_rpm, readings=4.0)
    law = calm_settings(point.plant, car.feedback.update_period_ms / 1000.0, move, BORDER_LEAST)
    least_rpm = ROOM * Treads(move, worth).smallest_deadband_rpm()
    half_width = max(least_rpm, min(least_rpm + SCATTERS * scatter_rpm, WIDEST_DEADBAND_rpm))
    alike = law_of(car.feedback).searched == LAWS[RULED].searched
    return {
        "law": car.feedback.law if alike else RULED,
        "gain_steps_per_100rpm": _rounded(law.gain_steps_per_100rpm),
        "integral_steps_per_100rpm_s": _rounded(law.integral_steps_per_100rpm_s),
        "deadband_rpm": ROUND_rpm * math.ceil(half_width / ROUND_rpm),
        "min_move_steps": move,
    }


def _rounded(gain: float) -> float:
    """A gain to the tenth, never rounded to nothing."""
    return max(ROUND_gain, round(round(gain / ROUND_gain) * ROUND_gain, 6))


SAFE_SHARE = 0.35  # Gains switched low: to this share of those at the border, if they are above it [-].
QUICKER, SLOWER = 4.0, 3.0  # Update period divided and multiplied by this [-].
SHORTEST_UPDATE_ms = 10.0
LONGEST_UPDATE_ms = 10_000.0
FINEST = 8  # A valve without steps: so many positions in place of one, if the travel leaves room.
MOST_STEPS = 400  # Longest travel a car may have [steps].
NO_LIMIT_steps = 400.0
INSTANT_ms = 0.2  # Coil pulse of a valve that takes no time [ms].

Changes = dict[str, dict[str, Any]]


@dataclass(frozen=True)
class Switch:
    """One change of the car."""

    key: str  # what is off; ``as_is`` nothing, ``both`` resolution and gains
    name: Note  # what is changed
    car: Car  # the changed car


def finer_valve(car: Car) -> tuple[Car, int]:
    """The same valve and law with n small steps in place of each whole one, and minimum move 1; and n [-].

    Steps, travel, curves, gains and limits are multiplied by n, the time of a step divided by it, so that
    areas, seconds and the law stay what they were; only rounding and minimum move get finer. A nudge
    becomes n times as many of one fine step.
    """
    valve, feedback = car.valve, car.feedback
    # What lies beyond the stop counts too: a car file holds no more steps than these.
    farthest = max(valve.travel_steps, valve.open_limit_steps, valve.area_mm2[-1][0])
    n = max(1, min(FINEST, int(MOST_STEPS // farthest)))
    times_n = {
        key: min(NO_LIMIT_steps, getattr(feedback, key) * n) for key in ("entry_extra_steps", "aircon_steps")
    }
    changes: Changes = {
        "valve": {
            "area_mm2": tuple((steps * n, area) for steps, area in valve.area_mm2),
            "travel_steps": valve.travel_steps * n,
            "useful_travel_steps": valve.useful_travel_steps * n,
            "open_limit_steps": valve.open_limit_steps * n,
            "homing_steps": min(1000, valve.homing_steps * n),
            "pulse_ms": max(0.2, valve.pulse_ms / n),
            "rest_ms": valve.rest_ms / n,
            "pull_in_ms": max(0.1, valve.pull_in_ms / n),
            "backlash_steps": min(10.0, valve.backlash_steps * n),
        },
        "curves": {
            key: tuple((c, min(NO_LIMIT_steps, s * n)) for c, s in getattr(car.curves, key))
            for key in ("base_steps", "cranking_steps", "after_start_steps")
        },
        "feedback": {
            "load_steps_per_100W": min(100.0, feedback.load_steps_per_100W * n),
            "min_move_steps": 1,
            "rpm_per_step": max(0.1, feedback.rpm_per_step / n),
            "trim_limit_steps": tuple(
                min(NO_LIMIT_steps, max(-NO_LIMIT_steps, limit * n)) for limit in feedback.trim_limit_steps
            ),
            **times_n,
            **law_of(feedback).finer(feedback, n),
        },
    }
    return with_values(car, changes), n


def eased_gains(car: Car, linear: LinearView) -> dict[str, Any]:
    """Changes of table [feedback] that bring gains to a safe share of those at the border."""
    share = min(1.0, SAFE_SHARE * linear.here.border_multiplier)
    return law_of(car.feedback).eased(car.feedback, share)


def switches(car: Car, linear: LinearView, suggested: dict[str, Any]) -> list[Switch]:
    """The car as it is, and copies with one possible cause switched off each."""
    period = car.feedback.update_period_ms
    periods = {
        "quicker_updates": max(min(SHORTEST_UPDATE_ms, period), period / QUICKER),
        "slower_updates": min(LONGEST_UPDATE_ms, period * SLOWER),
    }
    at_once: Changes = {"valve": {"pulse_ms": INSTANT_ms, "rest_ms": 0.0, "pull_in_ms": 0.1}}
    wide: Changes = {
        "feedback": {"trim_limit_steps": (-NO_LIMIT_steps, NO_LIMIT_steps)},
        "valve": {"open_limit_steps": car.valve.travel_steps},
    }
    off: Changes = {"feedback": {"law": "none"}}
    made = [Switch("as_is", Note("explanation.switch.as_is"), car)]
    if car.feedback.acts:
        lower = with_values(car, {"feedback": eased_gains(car, linear)})
        changed: list[tuple[str, Note, Changes]] = [
            ("valve_speed", Note("explanation.switch.valve_speed"), at_once),
            ("limits", Note("explanation.switch.limits"), wide),
        ]
        for key, ms in periods.items():
            at: Changes = {"feedback": {"update_period_ms": ms}}
            changed.append((key, Note("explanation.switch.updates", update_period_ms=ms), at))
        if car.valve.backlash_steps > 0.0:
            tight: Changes = {"valve": {"backlash_steps": 0.0}}
            changed.append(("backlash", Note("explanation.switch.backlash"), tight))
        made += [
            Switch("resolution", Note("explanation.switch.resolution"), finer_valve(car)[0]),
            Switch("gains", Note("explanation.switch.gains"), lower),
        ]
        made += [Switch(key, name, with_values(car, values)) for key, name, values in changed]
        if lower != car:
            both = Note("explanation.switch.both")
            made.append(Switch("both", both, finer_valve(lower)[0]))
        held = Note("explanation.switch.feedback")
        made.append(Switch("feedback", held, with_values(car, off)))
        if suggested:
            changes = with_values(car, {"feedback": suggested})
            made.append(Switch("suggested", Note("explanation.switch.suggested"), changes))
    return made
