"""The linear view: how far the loop would be from swinging by itself if the valve had no steps."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from controllers import law_of
from sim import Car
from tuning.loop import sampled_loop
from tuning.loop.linear import Reals
from tuning.loop.point import IdlePoint, idle_point
from tuning.notes import Told

COLD_degC, HALF_WARM_degC = 20.0, 50.0  # Coolant temperatures looked at beside the warm idle.
AWAY_SHARE = 0.15  # How far above and below the target the loop is looked at too [-].
RAYS = 25  # Ratios of the two gains at which the border is looked for.
QUICK_UPDATE_s = 0.01  # Update period that stands for none [s].


@dataclass(frozen=True)
class LinearRow(Told):
    """The loop at one idle point, without deadband, minimum move, rounding and limits."""

    coolant_degC: float
    load_W: float
    rpm: float
    needed_steps: float
    rpm_per_step: float
    poles_per_s: tuple[tuple[float, float], ...]  # of the engine, as is the residence time
    residence_time_s: float
    engine_stable: bool
    gain_margin: float  # of the sampled loop, as are the next two; infinite where there is none
    phase_margin_deg: float
    sensitivity_peak: float
    border_multiplier: float  # as ``UltimateGain`` has it
    border_period_s: float


@dataclass(frozen=True)
class LinearView(Told):
    """Margins over temperature, load and speed."""

    here: LinearRow  # the warm idle at the target
    rows: tuple[LinearRow, ...]  # that and others
    border_without_valve_time: float  # ``border_multiplier`` with a valve that takes no time
    border_with_quick_updates: float  # and with updates every 10 ms


def border(
    point: IdlePoint, law: sampled_loop.SampledLaw | None, move_steps: int
) -> sampled_loop.UltimateGain:
    """Where the loop begins to swing by itself; with feedback off, nowhere if the engine holds its speed."""
    if law is not None:
        return sampled_loop.ultimate_gain(point.plant, law, move_steps)
    multiplier = math.inf if point.plant.is_stable() else 0.0
    return sampled_loop.UltimateGain(multiplier, math.nan)


def linear_row(point: IdlePoint, law: sampled_loop.SampledLaw | None, move_steps: int) -> LinearRow:
    """Poles and margins at one idle point."""
    at_border = border(point, law, move_steps)
    gain, phase, peak = math.inf, math.inf, 1.0
    if law is not None:
        found = sampled_loop.margins(sampled_loop.loop(point.plant, law, move_steps, count=600))
        gain, phase, peak = found.gain_margin, found.phase_margin_deg, found.sensitivity_peak
    return LinearRow(
        coolant_degC=point.coolant_degC, load_W=point.load_W, rpm=point.target_rpm,
        needed_steps=point.needed_steps, rpm_per_step=point.rpm_per_step,
        poles_per_s=tuple((float(p.real), float(p.imag)) for p in point.plant.poles()),
        residence_time_s=point.plant.residence_time_s, engine_stable=point.plant.is_stable(),
        gain_margin=gain, phase_margin_deg=phase, sensitivity_peak=peak,
        border_multiplier=at_border.multiplier, border_period_s=at_border.period_s,
    )  # fmt: skip


def _other_points(car: Car, point: IdlePoint) -> list[IdlePoint]:
    """Cold and half warm, everything electric on, a little above and below the target."""
    loads_W = car.loads.lamps_W + car.loads.fan_W + car.loads.screen_W
    target = point.target_rpm
    found = [
        idle_point(car, COLD_degC),
        idle_point(car, HALF_WARM_degC),
        idle_point(car, point.coolant_degC, loads_W) if loads_W > 0.0 else None,
        idle_point(car, point.coolant_degC, at_rpm=target * (1.0 - AWAY_SHARE)),
        idle_point(car, point.coolant_degC, at_rpm=target * (1.0 + AWAY_SHARE)),
    ]
    return [other for other in found if other is not None]


def linear_view(car: Car, point: IdlePoint, *, quick: bool = False) -> LinearView:
    """Margins at the warm idle and, unless quick, at other points."""
    law, move = sampled_loop.linear_law(car), sampled_loop.tread_steps(car)
    here = linear_row(point, law, move)
    others = [] if quick else [linear_row(p, law, move) for p in _other_points(car, point)]
    at_once = replace(point, plant=replace(point.plant, valve_step_s=0.0))
    quicker = law
    if law is not None and law_of(car.feedback).has_gains:
        quicker = replace(law, update_period_s=min(QUICK_UPDATE_s, law.update_period_s))
    return LinearView(
        here, (here, *others), border(at_once, law, move).multiplier, border(point, quicker, move).multiplier
    )


def stability_border(point: IdlePoint, update_period_s: float, move_steps: int) -> tuple[Reals, Reals]:
    """Gains at which the loop without steps begins to swing, over their ratio.

    Proportional and integral gain [steps per 100 rpm (and second)]; of the moves the travel time counts.
    """
    tangents = np.geomspace(0.02, 50.0, RAYS - 2).tolist()
    rays = [(1.0, 0.0), *((1.0, tangent) for tangent in tangents), (0.0, 1.0)]
    found = []
    for gain, integral in rays:
        law = sampled_loop.SampledLaw(gain, integral, update_period_s)
        multiplier = border(point, law, move_steps).multiplier
        if np.isfinite(multiplier):
            found.append((gain * multiplier, integral * multiplier))
    table = np.array(found).reshape(-1, 2)
    return table[:, 0], table[:, 1]
