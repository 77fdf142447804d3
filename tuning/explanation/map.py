"""The hunting map: chance and size of hunting over two settings, with theory's border over it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from controllers import GAIN, INTEGRAL, Feedback
from sim import Car, with_values
from tuning.explanation.ablation import regular_share
from tuning.explanation.cycle import STARTS_rpm
from tuning.explanation.ends import (
    Measured,
    Phases,
    Reals,
    ends_of,
    even_phases,
    measured,
    part,
    run_settings,
    without_scatter,
)
from tuning.loop import IdlePoint, stability_border, tread_steps
from tuning.notes import Note, Told

LARGEST_MOVE_steps = 8
WIDEST_LEAST_rpm = 60.0


@dataclass(frozen=True, eq=False)
class HuntingMap(Told):
    """Simulated hunting over a grid of two settings.

    Attributes
    ----------
    x_key, y_key, border_name, runs : str, str, Note, int
    x, y, border_x, border_y, chance, with_scatter_chance, now, suggested : numpy.ndarray, tuple of float
    """

    x_key: str  # the settings, as in table [feedback]
    y_key: str
    x: Reals  # their values, shapes (n,) and (m,)
    y: Reals
    chance: Reals  # shape (m, n): share of phases that hunt, scatter taken out
    swing_rpm: Reals  # shape (m, n): mean swing of those, 0 where none does
    with_scatter_swing_rpm: Reals  # shape (m, n): band-passed swing with the engine's scatter
    with_scatter_chance: Reals  # shape (m, n): share of regular swings above the floor, with scatter
    border_x: Reals  # theory's border as a line
    border_y: Reals
    border_name: Note  # what the border says
    now: tuple[float, float] | None  # the car's settings in x and y; None where outside or not known
    suggested: tuple[float, float] | None  # and those suggested
    runs: int  # in each cell


@dataclass(frozen=True)
class MapSize:
    """How fine a map is."""

    moves: int  # values along the axes
    deadbands: int
    gains: int
    integrals: int
    phases: int  # starting phases in each cell; they take the starting speeds in turn


USUAL = MapSize(LARGEST_MOVE_steps, 17, 14, 13, 15)
QUICK = MapSize(6, 8, 7, 6, 6)


def _cells(
    car: Car, row: Sequence[Feedback], phases: Phases, point: IdlePoint, floor: float, seed: int
) -> Reals:
    """Chance, swing, and both with scatter, of some settings; shape (4, settings)."""
    count, coolant = len(phases), point.coolant_degC
    still = without_scatter(car)
    quiet = ends_of(run_settings(still, row, phases, coolant_degC=coolant, offsets_rpm=STARTS_rpm))
    noisy = measured(run_settings(car, row, phases, coolant_degC=coolant, seed=seed)).values
    out = np.empty((4, len(row)))
    for i in range(len(row)):
        rows = slice(i * count, (i + 1) * count)
        ends, values = part(quiet, rows), Measured(noisy[rows])
        noisy_rpm, regular = values.mean("hunting_rpm"), regular_share(values, floor)
        out[:, i] = ends.chance, ends.mean_swing_rpm, noisy_rpm, regular
    return out


def _map(
    keys: tuple[str, str], axes: tuple[Reals, Reals], cells: Reals, border: tuple[Reals, Reals], name: Note,
    feedback: Feedback, suggested: dict[str, Any], runs: int,
) -> HuntingMap:  # fmt: skip
    """A map from its cells, with the car's own settings and those suggested where they are known."""
    now = float(getattr(feedback, keys[0])), float(getattr(feedback, keys[1]))
    there = (float(suggested[keys[0]]), float(suggested[keys[1]])) if suggested else None
    return HuntingMap(*keys, *axes, cells[0], cells[1], cells[2], cells[3], *border, name, now, there, runs)


def resolution_map(
    car: Car, point: IdlePoint, suggested: dict[str, Any], size: MapSize, *, floor_rpm: float = 0.0,
    seed: int = 0, on_row: Callable[[float], None] = lambda _share: None,
) -> HuntingMap:  # fmt: skip
    """Minimum move (x) against deadband (y); the border is r = 1: half a move's worth of rpm."""
    worth, feedback = point.rpm_per_step, car.feedback
    moves, bands = _move_and_deadband(feedback, worth, suggested, size)
    grid = np.empty((4, bands.size, moves.size))
    for column, move in enumerate(moves.astype(int).tolist()):
        changed = {"min_move_steps": move}
        row = [feedback.model_copy(update={**changed, "deadband_rpm": float(d)}) for d in bands]
        wide = with_values(car, {"feedback": changed})
        phases = even_phases(wide, point, size.phases)
        grid[:, :, column] = _cells(wide, row, phases, point, floor_rpm, seed)
        on_row((column + 1) / moves.size)
    border = np.array([0.5, moves[-1] + 0.5]), np.array([0.25, 0.5 * moves[-1] + 0.25]) * worth
    keys = "min_move_steps", "deadband_rpm"
    return _map(
        keys, (moves, bands), grid, border, Note("explanation.border.moves"), feedback, suggested, size.phases
    )


def _move_and_deadband(
    feedback: Feedback, worth_rpm: float, suggested: dict[str, Any], size: MapSize
) -> tuple[Reals, Reals]:
    """Axes wide enough for the car's settings, those suggested, and theory's border."""
    most = max(size.moves, feedback.min_move_steps)
    widest = 1.25 * max(
        feedback.deadband_rpm, float(suggested.get("deadband_rpm", 0.0)), 0.5 * most * worth_rpm
    )
    bands = np.linspace(0.0, max(widest, WIDEST_LEAST_rpm), size.deadbands)
    return np.arange(1, most + 1, dtype=float), bands


def gain_map(
    car: Car, point: IdlePoint, suggested: dict[str, Any], size: MapSize, *, floor_rpm: float = 0.0,
    seed: int = 0, on_row: Callable[[float], None] = lambda _share: None,
) -> HuntingMap:  # fmt: skip
    """Proportional (x) against integral gain (y), with the border of the loop without steps."""
    feedback = car.feedback
    edge = stability_border(point, feedback.update_period_ms / 1000.0, tread_steps(car))
    now = (feedback.gain_steps_per_100rpm, feedback.integral_steps_per_100rpm_s)
    gains, integrals = _gain_axes(now, edge, size)
    phases = even_phases(car, point, size.phases)
    grid = np.empty((4, integrals.size, gains.size))
    for line, integral in enumerate(integrals):
        fixed = {INTEGRAL: float(integral)}
        cells = [feedback.model_copy(update={**fixed, GAIN: float(gain)}) for gain in gains]
        grid[:, line] = _cells(car, cells, phases, point, floor_rpm, seed)
        on_row((line + 1) / integrals.size)
    name = Note("explanation.border.gains")
    return _map((GAIN, INTEGRAL), (gains, integrals), grid, edge, name, feedback, suggested, size.phases)


def _gain_axes(now: tuple[float, float], edge: tuple[Reals, Reals], size: MapSize) -> tuple[Reals, Reals]:
    """Axes that show the car's settings and the border; no line without integral action."""
    widest = [
        max(1.3 * here, 1.25 * float(line.max(initial=1.0))) for here, line in zip(now, edge, strict=True)
    ]
    gains = np.linspace(0.0, widest[0], size.gains)
    return gains, np.linspace(0.0, widest[1], size.integrals + 1)[1:]
