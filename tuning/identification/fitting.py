"""The model fitted to recorded logs.

The model itself is replayed with the logs' valve commands (``sim.replay``) and compared with
what was recorded from beginning to end, not one step ahead.  Numbers that a log cannot tell
stay near the car file's and are reported as such.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from sim import Car, InputError, with_values
from sim import Problem as InputProblem
from sim.linearise import settled_rpm
from tuning.identification import verdict
from tuning.identification.facts import facts_check, not_to_be_told, voltage_sags
from tuning.identification.parameters import SIMPLE, Floats, Parameters, make_parameters
from tuning.identification.result import Curve, Fit, Fitted
from tuning.identification.scatter import Scatter, match_scatter
from tuning.identification.solver import Problem, figures_with_intervals, fit_departures, uncertainty_of
from tuning.identification.stretches import GUESSED_LOAD_W, SHORTEST_s, Stretch, find_stretches
from tuning.log_events import mended, with_recorded_spark
from tuning.logs import Log, needs
from tuning.notes import Note

Tell = Callable[[float, str], None]

NINETY = 1.645  # Half of a 90 % interval over the standard deviation of a normal distribution.
TOLD_SHARE = 0.6  # A number is told by the log if its uncertainty shrank below this share of the belief [-].
FAR_OFF_SHARE = 0.12  # A start this far from the usual speed of the log is first moved there [-].


def fit(
    car: Car, logs: Log | Sequence[Log], *, seed: int = 0, altitude_m: float = 0.0,
    on_progress: Tell | None = None,
) -> Fit:  # fmt: skip
    """Fit the model to logs.

    Parameters
    ----------
    car : Car
        The car as described; its numbers are where the fit begins and what it falls back on.
    logs : Log or sequence of Log
        With valve steps; best recorded as ``tuning.identification.recording_guide`` plans.
    seed, altitude_m : int, float
        Seed of the replays that scatter is matched with, 0 or more; geopotential height at which the logs
        were recorded [m].
    on_progress : callable, optional
        Told the share done, 0 to 1, and what is being done.

    Returns
    -------
    Fit, the fitted car and how far to trust it

    Raises
    ------
    InputError
        When a log has no valve steps, or none has idling long enough.
    """
    begun = time.monotonic()
    tell = on_progress or (lambda *_: None)
    every = [mended(log) for log in ([logs] if isinstance(logs, Log) else logs)]
    needs(every, ["valve_steps"], "fit")
    described, spark = with_recorded_spark(car, every)
    problem, usual_rpm = _problem_of(described, every, altitude_m)
    # The middle of where the valve has mostly been: one that hunts only goes from end to end of it.
    at_steps = float(np.rint(np.percentile(_visited(problem.stretches, every), [5.0, 95.0]).mean()))
    start = _start(problem.parameters, at_steps, usual_rpm)
    found, covariance = fit_departures(problem, start, tell)
    result = _result(problem, car, every, (found, covariance), at_steps, seed, tell)
    facts = facts_check(result.car, car, every, problem.stretches, altitude_m)
    checks = (*result.checks, facts)
    tell(1.0, "done")
    remarks = verdict.notes_on(every, spark, np.asarray(result.loads_W))
    return replace(
        result,
        car=_marked(result.car, checks, problem.stretches, every),
        checks=checks,
        notes=(*not_to_be_told(every), *result.notes, *remarks),
        seconds=time.monotonic() - begun,
    )


def _marked(
    car: Car, checks: Sequence[verdict.FitCheck], stretches: Sequence[Stretch], logs: Sequence[Log]
) -> Car:
    """The car, saying whether its fit can be trusted, what speaks against it, and the range it saw."""
    against = ", ".join(one.name for one in checks if not one.passed)
    told_as = "not trusted" if against else "trusted"
    seen = [logs[one.log].coolant_degC for one in stretches]
    told = [degC[one.rows] for degC, one in zip(seen, stretches, strict=True) if degC is not None]
    marks: dict[str, Any] = {"basis": "fitted", "fit_verdict": told_as, "fit_doubts": against}
    marks["fitted_steps"] = _ends(_visited(stretches, logs))
    marks["fitted_degC"] = _ends(np.concatenate(told)) if told else None
    return with_values(car, {"car": marks})


def _ends(values: Floats) -> tuple[float, float] | None:
    known = values[np.isfinite(values)]
    return (float(known.min()), float(known.max())) if known.size else None


def _problem_of(car: Car, logs: Sequence[Log], altitude_m: float) -> tuple[Problem, float]:
    """Stretches of idling and what may change, and the usual speed in them [rpm]."""
    stretches, loads = find_stretches(logs, altitude_m)
    if not stretches:
        raise InputError(
            InputProblem(
                log.file, 1, "rpm",
                f"no idling of {SHORTEST_s:g} s or more found, allowed: the engine running, "
                "throttle shut, away from a start",
            )
            for log in logs
        )  # fmt: skip
    usual_rpm = float(np.median(np.concatenate([one.measured[:, 0] for one in stretches])))
    with_map = stretches[0].measured.shape[1] > 1
    parameters = make_parameters(car, _visited(stretches, logs), usual_rpm, with_map, loads)
    return Problem(parameters, stretches, all(map(verdict.moved_by_hand, logs))), usual_rpm


def _visited(stretches: Sequence[Stretch], logs: Sequence[Log]) -> Floats:
    return np.concatenate([_steps(logs[one.log])[one.rows] for one in stretches])


def _result(
    problem: Problem, car: Car, logs: Sequence[Log], fitted: tuple[Floats, Floats],
    at_steps: float, seed: int, tell: Tell,
) -> Fit:  # fmt: skip
    """All that follows from fitted departures: prediction, scatter, intervals, verdict."""
    found, covariance = fitted
    parameters, stretches = problem.parameters, problem.stretches
    modelled = problem.modelled(found)
    tell(0.75, "predicting what it has not seen")
    predicted = _predict_held_back(problem, found)
    tell(0.85, "matching scatter")
    loads_W = GUESSED_LOAD_W * np.exp(parameters.loads(found))
    scatter = match_scatter(parameters.car_with(found), logs, stretches, loads_W, seed)
    tell(0.95, "how sure it is")
    draw = _drawing(parameters, car, scatter)
    fed_back = [verdict.moves_follow_speed(log) for log in logs]
    figures = figures_with_intervals(draw, found, covariance, at_steps, seed, fed_back)
    held = verdict.held_back_holds(stretches, predicted)
    worth, limit_steps = figures["rpm_per_step"], parameters.car.valve.open_limit_steps
    checks = (
        verdict.excitation_check(logs, modelled, scatter.rms_rpm),
        verdict.direction_check(logs, stretches, fed_back),
        verdict.prediction_check(held, _left_over_rms(problem, modelled), fed_back),
        verdict.lost_position_check(stretches, modelled, scatter.rms_rpm, worth.value),
        verdict.gain_check(worth.value, (worth.low, worth.high), all(fed_back), at_steps, limit_steps),
        verdict.belief_check(parameters, found),
    )
    fitted_car, notes = _fitted_car(draw, found, car)
    spreads = uncertainty_of(parameters, found, covariance, scatter, limit_seen=any(map(voltage_sags, logs)))
    curves = tuple(
        Curve(one.log, one.time_s, one.measured, model, guess, one.used, one.held_back)
        for one, model, guess in zip(stretches, modelled, predicted, strict=True)
    )
    return Fit(
        car=with_values(fitted_car, {"uncertainty": spreads}), described=car,
        numbers=_numbers(parameters, found, covariance), covariance=covariance, at_steps=at_steps,
        scatter=scatter, loads_W=tuple(float(watts) for watts in loads_W), held_back=tuple(held),
        checks=checks, curves=curves, notes=notes, seconds=0.0, **figures,
    )  # fmt: skip


def _steps(log: Log) -> Floats:
    return np.zeros(log.rpm.size) if log.valve_steps is None else log.valve_steps


def _start(parameters: Parameters, steps: float, usual_rpm: float) -> Floats:
    """Departures with which the model idles where the log does.

    The leak is found by bisection; what it cannot do alone, the valve's whole area does.
    """
    from scipy.optimize import brentq

    start = np.zeros(len(parameters.each))
    low, high = parameters.limits()

    def error(amount: float, places: Sequence[int]) -> float:
        moved = start.copy()
        moved[list(places)] = np.clip(amount, low[list(places)], high[list(places)])
        return float(settled_rpm(parameters.car_with(moved), [steps])[0]) - usual_rpm

    leak = [i for i, name in enumerate(parameters.names) if name == "throttle.leak_mm2"]
    valve = [i for i, one in enumerate(parameters.each) if one.key == "area_mm2"]
    for places in (leak, leak + valve):
        if not places or abs(error(0.0, [])) <= FAR_OFF_SHARE * usual_rpm:
            return start
        if error(-1.4, places) < 0.0 < error(1.4, places):
            amount = brentq(error, -1.4, 1.4, args=(places,), xtol=1e-3)
            start[places] = np.clip(amount, low[places], high[places])
            return start
    return start


def _predict_held_back(problem: Problem, found: Floats) -> list[Floats]:
    """What a fit without the held-back holds gives for all slots."""
    keep = [one.used & ~one.held_back for one in problem.stretches]
    blind = Problem(problem.parameters, problem.stretches, problem.by_hand, keep)
    blind.noise = problem.noise
    return blind.modelled(blind.solve(found, 6, 2.0e-3, quick=True))


def _left_over_rms(problem: Problem, modelled: Sequence[Floats]) -> float:
    pairs = zip(modelled, problem.stretches, strict=True)
    left = [(model - one.measured)[one.used, 0] for model, one in pairs]
    return float(np.sqrt(np.mean(np.concatenate(left) ** 2)))


def _drawing(parameters: Parameters, car: Car, scatter: Scatter) -> Callable[[Floats], Car]:
    """A function from departures to a car of the fit, not checked."""
    low, high = parameters.limits()

    def draw(departures: Floats) -> Car:
        changed = parameters.car_with(np.clip(departures, low, high))
        engine = changed.engine.model_copy(
            update={"scatter_share": scatter.share, "scatter_memory": scatter.memory}
        )
        read = {"rpm_noise_rpm": scatter.noise_rpm, "rpm_resolution_rpm": scatter.read_in_rpm}
        sensors = changed.sensors.model_copy(update=read)
        return changed.model_copy(
            update={"engine": engine, "sensors": sensors, "uncertainty": car.uncertainty}
        )

    return draw


def _fitted_car(draw: Callable[[Floats], Car], found: Floats, car: Car) -> tuple[Car, tuple[Note, ...]]:
    """The fitted car, checked as its file will be; taken back toward the file as far as needed."""
    for share in (1.0, 0.9, 0.8, 0.6, 0.4):
        try:
            fitted = with_values(draw(share * found), {})
        except InputError:
            continue
        if share == 1.0:
            return fitted, ()
        return fitted, (Note("identification.part_of_the_way", share=share),)
    return car, (Note("identification.unchanged"),)


def _numbers(parameters: Parameters, found: Floats, covariance: Floats) -> tuple[Fitted, ...]:
    changes: Mapping[str, Mapping[str, Any]] = parameters.changes(found)
    deviations = np.sqrt(np.maximum(np.diag(covariance), 0.0))
    numbers = []
    for at, one in enumerate(parameters.each):
        low, high = found[at] - NINETY * deviations[at], found[at] + NINETY * deviations[at]
        ends = (found[at], max(low, one.low), min(high, one.high))
        change, low, high = ends if one.unit else np.exp(ends)
        plain = bool(one.table) and one.key in SIMPLE
        before = float(getattr(getattr(parameters.car, one.table), one.key)) if plain else None
        value = float(changes[one.table][one.key]) if plain else None
        told = bool(deviations[at] < TOLD_SHARE * parameters.prior_sd[at])
        span = float(change), float(low), float(high)
        numbers.append(Fitted(one.name, before, value, *span, one.unit, told))
    return tuple(numbers)
