"""Settings known before a search, and beside those found: none, the present, a rule's, a plain set."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from controllers import DERIVATIVE, GAIN, INTEGRAL, LAWS, Feedback
from sim import Car, equilibrium, with_values
from tuning.ensemble import BASE_ERROR_steps
from tuning.explanation import suggested_settings
from tuning.loop import (
    IdlePoint,
    Treads,
    WARM_degC,
    base_position,
    first_order_plus_delay,
    starting_settings,
    usual_idle,
)
from tuning.measures import TOLERANCE_rpm
from tuning.notes import Note, Told
from tuning.search.entry_form import as_entered
from tuning.search.objective import Acceptance, Score
from tuning.search.space import WINDOW, Space, round_period_ms, rpm_per_step, steps_for, warm_target_rpm

OPEN_LOOP, PRESENT, RULE, PLAIN, FOUND = "open_loop", "present", "rule", "plain", "found"
PLAIN_SET: Mapping[str, Any] = {
    "law": "pi", "gain_steps_per_100rpm": 2.0, "integral_steps_per_100rpm_s": 4.0,
    "derivative_steps_s_per_100rpm": 0.0, "deadband_rpm": 40.0, "min_move_steps": 1,
    "update_period_ms": 200.0,
}  # fmt: skip
"""The dullest settings that do on most engines: whatever is found has to beat them."""


@dataclass(frozen=True)
class Compared(Told):
    """One set of settings on the fresh cars."""

    TOLD = ("name", "settings")

    name: str
    settings: Feedback
    score: Score

    def _told(self) -> dict[str, Any]:
        one = self.score
        told = {"score": one.total, **one.measured, "weighted": one.terms}
        return told | {"acceptance": one.acceptance}


LEAST_WINDOW_rpm = 150.0
"""Narrowest idle window by rule; 100 rpm let feedback leave with the base 3 steps off (engine 105) [rpm]."""


def window_and_trim(space: Space) -> dict[str, Any]:
    """Trim limits for all loads and a base too high, an idle window that holds the engine as loads go.

    A window wider than need be lets the integral wind down while the engine comes back from a blip. In a
    narrower one the trim stays where a load left it: the engine idles that much too fast, without feedback.
    """
    lowest = space.ranges["trim_low_steps"]
    low, high = max(2.0 * lowest.high, lowest.low), space.ranges["trim_high_steps"].low
    window_rpm, high = space.holds_engine(LEAST_WINDOW_rpm, high)
    return {"trim_limit_steps": (low, high), "enable_above_target_rpm": window_rpm}


def known_settings(space: Space, scatter_rpm: float) -> dict[str, Feedback]:
    """The sets that are known before a search, by name; what is kept stays in each."""
    car, kept = space.car, space.kept
    own = {key: getattr(car.feedback, key) for key in kept}
    present = car.feedback

    def entered(values: Mapping[str, Any]) -> Feedback:
        return as_entered(car, present.model_copy(update={**values, **own})).model_copy(update=own)

    found = {OPEN_LOOP: present.model_copy(update={"law": "none"}), PRESENT: present}
    with_feedback = with_values(car, {"feedback": {"law": "pi"}})
    point = usual_idle(with_feedback)
    by_rule = {} if point is None else suggested_settings(with_feedback, point, scatter_rpm)
    if by_rule:
        found[RULE] = entered(by_rule | window_and_trim(space))
    window_rpm, high = space.holds_engine(present.enable_above_target_rpm, present.trim_limit_steps[1])
    held = {WINDOW: window_rpm, "trim_limit_steps": (present.trim_limit_steps[0], high)}
    return {**found, PLAIN: entered({**PLAIN_SET, **held})}


def better(rows: Mapping[str, Score]) -> str:
    """Which settings are proposed: those found only where they beat all the others."""
    return min(rows, key=lambda name: (*rows[name].order, name == FOUND))


def base_notes(car: Car) -> tuple[Note, ...]:
    """Say how far the warm base curve is off, where that is more than 3 steps."""
    base, target = base_position(car), warm_target_rpm(car)
    off_steps = steps_for(car, target, 0.0) - base
    if abs(off_steps) <= BASE_ERROR_steps:
        return ()
    idles_rpm = equilibrium(car, base, WARM_degC)["rpm"]
    return (
        Note(
            "search.base.off", base_steps=base, needed_steps=base + off_steps,
            idles_rpm=float(idles_rpm), target_rpm=target, carried_steps=BASE_ERROR_steps,
        ),
    )  # fmt: skip


def acceptance_notes(proposed: str, scores: Mapping[str, Score], lacks: tuple[Note, ...]) -> tuple[Note, ...]:
    """Say where what is proposed is not what was found, or is not acceptable, by what, and what lacks."""
    found: list[Note] = []
    if proposed != FOUND:
        found.append(
            Note(
                "search.proposed", proposed=proposed, score_rpm=scores[proposed].total,
                found_rpm=scores[FOUND].total, found_met=scores[FOUND].acceptance.is_met,
            )
        )  # fmt: skip
    others = [name for name in scores if name not in (proposed, OPEN_LOOP) and scores[name].acceptance.is_met]
    if proposed != OPEN_LOOP:
        found += not_acceptable(scores[proposed].acceptance, lacks, none_else=not others)
        if others and not scores[proposed].acceptance.is_met:
            beside = min(others, key=lambda name: scores[name].total)
            totals = {"score_rpm": scores[beside].total, "proposed_rpm": scores[proposed].total}
            found.append(Note("search.acceptable_beside", beside=beside, **totals))
    return tuple(found)


def not_acceptable(
    accepted: Acceptance, lacks: tuple[Note, ...] = (), *, none_else: bool = False
) -> list[Note]:
    """Say by what settings are not acceptable, if they are not; after a search, what lacks."""
    if accepted.is_met:
        return []
    told = {f"{name}_percent": 100.0 * share for name, share in accepted.failing.items()}
    percent = 100.0 * accepted.told_share
    return [Note("search.not_acceptable", **told, failing_percent=percent, lacks=lacks, searched=none_else)]


FIRMER = 1.25
"""Integral over the rule's where speed has to rest within what counts as back from a load, half a step off
included: of these the demo cars accept most [-]."""
UPDATE_s = 0.1  # Update period of the rules' settings [s].
LOOKS = 60.0  # Readings that the valve should rest for in the rules' deadband: some 6 s at idle [-].
RULES = {"simc": "simc", "amigo": "amigo", "simc, slow": "slow"}
"""Rules for gains, by the names of their settings."""
LEADS = (
    (2, 1.0, 0.7, 0.7), (3, 1.0, 0.85, 0.7), (4, 1.0, 1.0, 0.7), (4, 0.0, 1.0, 0.7), (5, 0.0, 1.2, 0.7),
    (2, 0.5, 1.4, 0.05), (3, 0.5, 1.6, 0.05),
)  # fmt: skip
"""Where the derivative leads: minimum move [steps], deadband over what that is worth [-], gain over
the tight rule's and integral over the slow rule's [-]."""
LEAD_SHARE = 0.4  # Derivative over what would cancel the lag [-].


def start_points(space: Space, scatter_rpm: float, known: Mapping[str, Feedback]) -> dict[str, Feedback]:
    """Settings to evaluate first."""
    car = space.car
    found = {name: one for name, one in known.items() if one.law in space.laws}
    near = window_and_trim(space)
    if PLAIN in found:
        found["plain, near"] = found[PLAIN].model_copy(update=near)
    if RULE in found:
        rule = found[RULE]
        inner_rpm = max(TOLERANCE_rpm - 0.5 * rpm_per_step(car), 0.0)
        within = {
            "deadband_rpm": min(rule.deadband_rpm, inner_rpm), INTEGRAL: FIRMER * getattr(rule, INTEGRAL)
        }  # fmt: skip
        found["rule, within"] = rule.model_copy(update=within)
    idle = usual_idle(car)
    if idle is not None and idle.plant.is_stable():
        window = {"enable_above_target_rpm": near["enable_above_target_rpm"]}
        for law in space.laws:
            made = _by_rule(space, law, idle, scatter_rpm)
            if DERIVATIVE in LAWS[law].searched:
                made |= _leading(space, law, idle)
            found |= {name: one.model_copy(update=window) for name, one in made.items()}
    return {name: space.feedback(one.law, space.values_of(one)) for name, one in found.items()}


def _widest_trim(space: Space) -> tuple[float, float]:
    return space.ranges["trim_low_steps"].low, space.ranges["trim_high_steps"].high


def _leading(space: Space, law: str, idle: IdlePoint) -> dict[str, Feedback]:
    """Settings whose derivative leads, and whose moves are large and few: one cures what leaves the deadband.

    Source: our own; differential evolution over 10,000 candidates a car came to these on the demo cars.
    """
    tight = starting_settings(idle.plant, UPDATE_s, "simc")
    slow = starting_settings(idle.plant, UPDATE_s, "slow")
    worth, model = rpm_per_step(space.car), first_order_plus_delay(idle.plant, UPDATE_s)
    derivative = 100.0 * LEAD_SHARE * model.time_constant_s / model.gain_rpm_per_step
    found = {}
    for move, band, share, integral_share in LEADS:
        values = {
            GAIN: share * tight.gain_steps_per_100rpm,
            INTEGRAL: integral_share * slow.integral_steps_per_100rpm_s, DERIVATIVE: derivative,
            "deadband_rpm": band * move * worth, "min_move_steps": move,
            "update_period_ms": 100.0 if band > 0.0 else 60.0, "trim_limit_steps": _widest_trim(space),
            "law": law,
        }  # fmt: skip
        name = f"{law}: lead, {move} steps, deadband of {band * move:g}"
        found[name] = space.car.feedback.model_copy(update=values)
    return found


def _by_rule(space: Space, law: str, idle: IdlePoint, scatter_rpm: float) -> dict[str, Feedback]:
    """Settings of one law by rule, cautious and tight, with the smallest move and a larger one."""
    described = LAWS[law]
    model = first_order_plus_delay(idle.plant, UPDATE_s)
    slow_ms = round_period_ms(1000.0 * (model.delay_s + model.time_constant_s))
    names = RULES if described.has_gains else {law: "simc"}
    found = {}
    for place, (name, rule) in enumerate(names.items()):
        move = 1 + place % 2
        gains = starting_settings(idle.plant, UPDATE_s, rule)
        band = Treads(move, model.gain_rpm_per_step).smallest_deadband_rpm(scatter_rpm, LOOKS)
        leads = DERIVATIVE in described.searched
        gain = gains.gain_steps_per_100rpm
        values = {
            GAIN: gain, INTEGRAL: gains.integral_steps_per_100rpm_s,
            DERIVATIVE: 0.3 * gain * model.delay_s if leads else 0.0, "nudge_steps": move,
            "deadband_rpm": band, "min_move_steps": move,
            "update_period_ms": 1000.0 * UPDATE_s if described.has_gains else slow_ms,
            "trim_limit_steps": _widest_trim(space), "law": law,
        }  # fmt: skip
        found[f"{law}: {name}"] = space.car.feedback.model_copy(update=values)
    return found
