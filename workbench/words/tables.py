"""Tables as words and numbers, for the terminal, the page and paper alike."""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import dataclass
from typing import TypeVar

import tuning
from workbench.words.wording import in_words

Row = TypeVar("Row")


def number(value: float | None, digits: int = 3, unit: str = "") -> str:
    """Write a number short; a dash where there is none. No engine idles to a tenth of a rev per minute."""
    if value is None or not math.isfinite(value):
        return "-"
    if unit == "rpm":
        return f"{round(value)}"
    if abs(value) >= 10.0**digits - 0.5:  # 999.7 is 1000, not 1e+03
        return f"{value:.0f}"
    return f"{value:.{digits}g}"


def span(low: float, high: float, unit: str, digits: int = 3) -> str:
    """Write a range short."""
    return f"{number(low, digits, unit)} to {number(high, digits, unit)}"


ALIKE = 0.05  # Two values that differ by less than this share of the larger one are the same [-].
WORSE, BETTER = "worse", "better"


def mark(before: float, after: float, less_is_better: bool = True) -> str:
    """Say whether the later of two values is better or worse."""
    more = after - before
    if not abs(more) > ALIKE * max(abs(before), abs(after)):
        return "same" if math.isfinite(more) else ""
    return WORSE if (more > 0.0) == less_is_better else BETTER


BOX = "\u2610"  # To be ticked on paper.


@dataclass(frozen=True)
class Table:
    """A table: headings, cells, and an r for each column to be set to the right."""

    columns: tuple[str, ...]
    rows: Sequence[Sequence[str]]
    right: str = ""


def table_of(rows: Iterable[Row], columns: dict[str, Callable[[Row], str]], right: str) -> Table:
    """A table of what each column, by its heading, tells of each row."""
    cells = [[tell(row) for tell in columns.values()] for row in rows]
    return Table(tuple(columns), cells, right)


def _finely(row: tuning.Compared) -> tuple[str, int]:
    """Unit and digits by which a record is seen to be on its side of each end of a range."""
    ends = [number(one, unit=row.unit) for one in (row.low, row.high, row.least, row.most)]
    return ("", 4) if number(row.recorded, unit=row.unit) in ends else (row.unit, 3)


def predicted_and_recorded(result: tuning.Comparison, full: bool) -> Table:
    """Table what was predicted beside what was recorded: all, or what is not as predicted."""
    verdicts = {(True, True): "as predicted", (False, True): "just outside"}
    return table_of(
        [row for row in result.rows if full or not row.inside],
        {
            "measure": lambda row: in_words(row.meaning),
            "predicted": lambda row: f"{number(row.predicted, unit=row.unit)} {row.unit}",
            "8 of 10 runs": lambda row: span(row.low, row.high, *_finely(row)),
            "with margin": lambda row: span(row.least, row.most, *_finely(row)),
            "recorded": lambda row: number(row.recorded, _finely(row)[1], _finely(row)[0]),
            "": lambda row: verdicts.get((row.inside, row.inside or row.agrees), "DIFFERS"),
        },
        " rrrr",
    )


MOST_LINES = 9  # Lines of a map that a terminal shows; the figure has all of them.


def with_and_without_table(result: tuning.Explanation, only: Collection[str] = ()) -> Table:
    """Table the proof of cause: the car as it is, and with one thing changed at a time, all or some."""
    return table_of(
        [row for row in result.ablation.rows if row.key in only or not only],
        {
            "what is changed": lambda row: in_words(row.name),
            "hunts without variation [%]": lambda row: f"{100.0 * row.chance:.0f}",
            "mean swing [rpm]": lambda row: f"{row.swing_rpm:.0f}",
            "every [s]": lambda row: number(row.period_s, 2),
            "left of now [%]": lambda row: number(100.0 * row.left_share, 2),
            "with variation [rpm]": lambda row: f"{row.with_scatter_swing_rpm:.0f}",
            "moves [1/min]": lambda row: f"{row.with_scatter_moves_per_min:.0f}",
        },
        " rrrrrr",
    )


def resolution_table(result: tuning.Explanation) -> Table:
    """Table what the valve's steps are worth against the deadband."""
    view = result.resolution
    needed, largest = view.smallest_deadband_with_scatter_rpm, view.largest_resting_move_steps
    rows = [
        ["position the warm idle needs", f"{result.needed_steps:.1f}", "steps"],
        ["position the base curve gives", f"{result.base_steps:.1f}", "steps"],
        ["valve gain", f"{view.move_rpm / view.move_steps:.1f}", "rpm per step"],
        [f"change of speed by one move ({view.move_steps} steps)", f"{view.move_rpm:.0f}", "rpm"],
        ["deadband, whole width", f"{2.0 * view.deadband_rpm:.0f}", "rpm"],
        ["r, deadband over one move", f"{view.ratio:.2f}", ""],
        ["chance that no position lies in it", f"{100.0 * view.chance:.0f}", "%"],
        ["the same from r alone", f"{100.0 * view.chance_even:.0f}", "%"],
        ["chance of hunting without variation, from the target", f"{100.0 * result.cycle.chance:.0f}", "%"],
        ["idle roughness, valve held (standard deviation)", f"{view.scatter_rpm:.1f}", "rpm"],
        ["deadband over idle roughness", number(view.deadband_in_scatters), ""],
        ["smallest half-width that holds (advised: 10 % more)", f"{view.smallest_deadband_rpm:.0f}", "rpm"],
        ["the same, so that idle roughness never moves the valve", f"{needed:.0f}", "rpm"],
        ["smallest move larger than idle roughness", str(view.smallest_useful_move_steps), "steps"],
        ["largest move with which this deadband holds", str(largest) if largest > 0 else "none", "steps"],
    ]
    return Table(("the valve's resolution", "value", "unit"), rows, " r ")


def loop_table(result: tuning.Explanation) -> Table:
    """Table the loop as it would be without steps, over temperature, load and speed."""
    points = result.linear.rows
    poles = [(*row.poles_per_s, *row.poles_per_s)[:2] for row in points]
    # Of a conjugate pair one number stands for both.
    real = [f"{a:.2f}" if imaginary else f"{a:.2f} {b:.2f}" for (a, imaginary), (b, _) in poles]
    kinds: list[tuple[str, list[str]]] = [
        ("coolant [degC]", [f"{row.coolant_degC:.0f}" for row in points]),
        ("load added [W]", [f"{row.load_W:.0f}" for row in points]),
        ("speed [rpm]", [f"{row.rpm:.0f}" for row in points]),
        ("position needed [steps]", [f"{row.needed_steps:.1f}" for row in points]),
        ("valve gain [rpm/step]", [f"{row.rpm_per_step:.1f}" for row in points]),
        ("poles, real [1/s]", real),
        ("poles, imaginary [1/s]", [f"{abs(pair[0][1]):.2f}" for pair in poles]),
        # Usual in the books on control (gain 2 to 5, phase 30 to 60 deg, peak 1.2 to 2); from memory.
        ("gain margin: calm from 2 up", [number(row.border_multiplier) for row in points]),
        ("phase margin [deg]: calm from 30 up", [number(row.phase_margin_deg, 2) for row in points]),
        ("sensitivity peak: calm up to 2", [number(row.sensitivity_peak) for row in points]),
        ("swing at the stability limit, every [s]", [number(row.border_period_s, 2) for row in points]),
    ]
    columns = ("idle point", *(str(place) for place in range(1, len(points) + 1)))
    return Table(columns, [[name, *values] for name, values in kinds], " " + "r" * len(points))


def cycle_table(result: tuning.Explanation) -> Table | None:
    """Table the cycles that theory predicts beside the one that simulation shows."""
    cycle = result.cycle
    told: list[tuple[str, tuning.Cycle | None]] = [
        ("theory, all harmonics", cycle.predicted),
        ("theory, slow square cycle", cycle.square),
    ]
    rows = [
        [name, f"{one.period_s:.2f}", f"{one.peak_to_peak_rpm:.0f}", "yes" if one.stable else "no"]
        for name, one in told
        if one is not None
    ]
    if cycle.seen is not None:
        seen = cycle.seen
        rows.append(["simulated", f"{seen.period_s:.2f}", f"{seen.swing_rpm:.0f}", "yes"])
    if not rows:
        return None
    return Table(("limit cycle", "every [s]", "swing [rpm]", "stable"), rows, " rr ")


def bound_table(result: tuning.Explanation) -> Table | None:
    """Table the dip after each load beside the smallest that this valve allows."""
    if not result.bound:
        return None
    return table_of(
        result.bound,
        {
            "dip in rpm after": lambda row: in_words(row.name),
            "as set": lambda row: "stalls" if row.stalls else f"{row.own_rpm:.0f}",
            "valve held": lambda row: f"{row.held_rpm:.0f}",
            "least possible": lambda row: "stalls" if row.bound_stalls else f"{row.bound_rpm:.0f}",
            "above the least": lambda row: f"{row.left_to_gain_rpm:.0f}",
            "with feed-forward": lambda row: f"{row.forward_rpm:.0f}",
            "with fast spark": lambda row: f"{row.spark_rpm:.0f}",
            "with both": lambda row: f"{row.forward_spark_rpm:.0f}",
        },
        " rrrrrrr",
    )


def map_table(one: tuning.HuntingMap) -> Table:
    """Table a hunting map: chance of hunting in percent, every so many lines."""
    every = math.ceil(one.y.size / MOST_LINES)
    across = math.ceil(one.x.size / MOST_LINES)
    columns = ("", *(f"{x:.3g}" for x in one.x[::across]))
    rows = [
        [f"{y:.3g}", *(f"{100.0 * chance:.0f}" for chance in line[::across])]
        for y, line in zip(one.y[::every], one.chance[::every], strict=True)
    ]
    return Table(columns, rows, "r" * len(columns))


def map_title(one: tuning.HuntingMap) -> str:
    """What a map's lines and columns are."""
    if one.x_key == "min_move_steps":
        return "Chance of hunting [%]: deadband half-width [rpm] down, minimum move [steps] across"
    return "Chance of hunting [%]: integral gain down, gain across, as in the car file"
