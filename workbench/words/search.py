"""A search's outcome in words and tables, for the command and the report."""

from __future__ import annotations

from typing import TYPE_CHECKING

from workbench.output.printing import number

if TYPE_CHECKING:
    from sim import Car
    from tuning.search import Tuning

COMPARED = (
    ("hunting_rpm", "swing at warm idle, peak to peak", "rpm"),
    ("hunting_period_s", "period of hunting", "s"),
    ("mean_error_rpm", "mean error at idle", "rpm"),
    ("worst_dip_rpm", "deepest dip in any run", "rpm"),
    ("settle_s", "settling after a load", "s"),
    ("undershoot_rpm", "below target after a blip", "rpm"),
    ("lowest_rpm", "lowest speed in any run", "rpm"),
    ("moves_per_min", "valve moves a minute", "1/min"),
    ("stall_share", "share of runs that stall", "-"),
)
SETTING_NAMES = {
    "law": "law",
    "gain_steps_per_100rpm": "gain",
    "integral_steps_per_100rpm_s": "integral gain",
    "derivative_steps_s_per_100rpm": "derivative gain",
    "deadband_rpm": "deadband",
    "min_move_steps": "minimum move",
    "update_period_ms": "update period",
    "trim_low_steps": "trim limit, low",
    "trim_high_steps": "trim limit, high",
    "nudge_steps": "size of a nudge",
    "rpm_per_step": "rpm per step",
}
"""Settings in words, by their names in a search."""
COMPARED_COLUMNS = ("on fresh plausible cars", "now", "found", "unit")


def setting_name(key: str) -> str:
    """Name of a setting in words.

    Gives in words where there are some.
    """
    return SETTING_NAMES.get(key, key)


def tune_finding(result: Tuning) -> str:
    """Say in one sentence what the search found.

    Gives one sentence.
    """
    now, found = result.now, result.predicted
    if result.kept:
        return f"Nothing better than the present settings was found in {result.trials} trials."
    floor = f"the engine's own scatter makes {result.floor_rpm:.0f} rpm of it"
    return (
        f"With the settings found the swing of warm idle goes from {now.hunting_rpm:.0f} to"
        f" {found.hunting_rpm:.0f} rpm ({floor}), the deepest dip from {now.worst_dip_rpm:.0f} to"
        f" {found.worst_dip_rpm:.0f} rpm."
    )


def compared_rows(result: Tuning) -> list[list[str]]:
    """Make the cells of now against found.

    Gives as ``COMPARED_COLUMNS``.
    """
    now, found = result.now.to_dict(), result.predicted.to_dict()
    return [
        [meaning, number(now[name]), number(found[name]), unit] for name, meaning, unit in COMPARED
    ]


def changed_rows(before: Car, result: Tuning) -> list[list[str]]:
    """Make the cells of the settings that the search changed.

    Gives setting, now, found.
    """
    old, new = before.feedback.model_dump(), result.settings.model_dump()
    return [[key, _short(old[key]), _short(new[key])] for key in old if old[key] != new[key]]


def _short(value: object) -> str:
    if isinstance(value, tuple):
        return " to ".join(_short(one) for one in value)
    return f"{value:.4g}" if isinstance(value, float) else str(value)


def tune_notes(result: Tuning) -> list[str]:
    """Say what the numbers stand on.

    Gives sentences.
    """
    gap = result.gap
    notes = [
        (
            f"{result.trials} settings tried on {result.engines} cars that this one could be, in"
            f" {result.seconds:.0f} s; the base curve was left alone."
        ),
        (
            f"Score in the search {gap.search_rpm:.0f} rpm, on cars and scatter it never met"
            f" {gap.verdict_rpm:.0f} rpm ({100.0 * gap.share:+.0f} %); present settings there"
            f" {gap.now_rpm:.0f} rpm."
        ),
        f"Chosen because: {result.front.reason}.".replace("..", "."),
    ]
    told = sorted(result.importance.items(), key=lambda item: -item[1])[:3]
    if told:
        shares = ", ".join(f"{setting_name(name)} {100.0 * share:.0f} %" for name, share in told)
        notes.append(f"What mattered most: {shares}.")
    if result.plateau.neighbours_rpm:
        worst = max(result.plateau.neighbours_rpm.values()) - result.plateau.value_rpm
        notes.append(f"One entry step away from these settings the score rises by {worst:.1f} rpm"
                     " at most.")  # fmt: skip
    if result.settings.law not in ("none", "pi"):
        notes.append(
            f"These settings need the law {result.settings.law}: where the controller has only a"
            " proportional and an integral gain, search for the law pi alone: --law pi."
        )
    return notes
