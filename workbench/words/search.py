"""A search's outcome in words and tables, for the command, the page and the report."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import tuning
from workbench.words.search_sentences import BESIDE
from workbench.words.tables import Table, mark, number
from workbench.words.wording import in_words

COMPARED = (
    ("hunting_rpm", "swing at warm idle, peak to peak", "rpm"),
    ("hunting_period_s", "period of hunting", "s"), ("mean_error_rpm", "mean error at idle", "rpm"),
    ("worst_dip_rpm", "deepest dip in any run", "rpm"), ("settle_s", "settling after a load", "s"),
    ("not_back_share", "share of loads it does not come back from", "-"),
    ("undershoot_rpm", "below target after a blip", "rpm"), ("lowest_rpm", "lowest speed in any run", "rpm"),
    ("moves_per_min", "valve moves a minute", "1/min"), ("stall_share", "share of runs that stall", "-"),
)  # fmt: skip
SETTINGS = {
    "law": ("law", ""), "gain_steps_per_100rpm": ("gain", "steps per 100 rpm"),
    "integral_steps_per_100rpm_s": ("integral gain", "steps per 100 rpm and s"),
    "derivative_steps_s_per_100rpm": ("derivative gain", "steps x s per 100 rpm"),
    "deadband_rpm": ("deadband half-width", "rpm"), "min_move_steps": ("minimum move", "steps"),
    "update_period_ms": ("update period", "ms"), "trim_limit_steps": ("trim limit", "steps"),
    "trim_low_steps": ("trim limit, low", "steps"), "trim_high_steps": ("trim limit, high", "steps"),
    "enable_above_target_rpm": ("feedback acts below target +", "rpm"), "rpm_per_step": ("valve gain", "rpm"),
    "enable_delay_s": ("wait after a start", "s"), "nudge_steps": ("size of a fixed step", "steps"),
    "entry_extra_steps": ("air as the throttle closes", "steps"), "entry_fade_s": ("decay of that air", "s"),
    "load_steps_per_100W": ("steps for electrical loads", "steps per 100 W"),
    "aircon_steps": ("steps for air conditioning", "steps"),
    "spark_trim_deg_per_100rpm": ("spark trim", "deg per 100 rpm"),
    "spark_trim_limit_deg": ("spark trim limit", "deg"),
}  # fmt: skip
"""Name and unit of each setting, the same on the sheet, the page and in a search; in the sheet's order."""
SET_NAMES = {
    "open_loop": "no feedback", "present": "present", "rule": "by rule", "plain": "plain set",
    "found": "found",
}  # fmt: skip
"""What stands beside each other, in words."""
SCORED_LEGEND = (
    "Swing above the held valve's, mean error beyond 15, largest distance at a load and undershoot"
    " after a blip beyond 40 in rpm; moves a minute; s: settling; fails: share of variations on which the"
    " settings are not acceptable or hunt, whichever is more; a tenth is allowed. The mark > is on what is"
    " proposed."
)
SCORED_COLUMNS = ("settings", "score", "swing", "error", "moves", "load", "s", "blip", "stalls", "fails")
TERM_WORDS = {
    "hunting": ("the swing above the held valve's", "rpm"), "error": ("the mean error beyond 15 rpm", "rpm"),
    "moves": ("the moves of the valve", "a minute"),
    "excursion": ("the largest distance from target at a load", "rpm"),
    "settling": ("the settling after a load", "s"),
    "undershoot": ("the undershoot after a blip beyond 40 rpm", "rpm"), "stalls": ("the stalls", "a car"),
}  # fmt: skip


def setting_name(key: str) -> str:
    """Name of a setting in words."""
    return SETTINGS.get(key, (key, ""))[0]


def tune_finding(result: tuning.Tuning) -> str:
    """Say in one sentence what the search found."""
    now, found = result.now, result.predicted
    if result.kept:
        return f"Nothing better than the present settings was found in {result.trials} trials."
    floor = f"{result.floor_rpm:.0f} rpm with the valve held: the engine's own roughness"
    score, before = result.predicted_score.total, result.now_score.total
    met = result.proposed == "open_loop" or result.predicted_score.acceptance.is_met
    yet = "" if met else "Better, but not acceptable yet. "
    return (
        f"{yet}With {BESIDE.get(result.proposed, 'the settings found')}: score of all that counts from"
        f" {before:.0f} to {score:.0f} (lower is better); swing of warm idle from {now.hunting_rpm:.0f} to"
        f" {found.hunting_rpm:.0f} rpm ({floor}); settling after a load from {now.settle_s:.1f} to"
        f" {found.settle_s:.1f} s; below target after a blip from {now.undershoot_rpm:.0f} to"
        f" {found.undershoot_rpm:.0f} rpm."
    )


def compared_table(now: tuning.Prediction, then: tuning.Prediction) -> Table:
    """Table what present and proposed settings do."""
    old, new = now.to_dict(), then.to_dict()
    rows = []
    for name, meaning, unit in COMPARED:
        told = "" if name == "hunting_period_s" else mark(old[name], new[name], name != "lowest_rpm")
        rows.append([meaning, number(old[name]), number(new[name]), unit, told])
    return Table(("on fresh variations of your car", "now", "proposed", "unit", ""), rows, " rr  ")


def scored_table(result: tuning.Tuning) -> Table:
    """Table all sets side by side; the proposed one is marked."""
    rows = []
    for one in result.compared:
        mark = "> " if one.name == result.proposed else ""
        measured = [f"{value:.{name == 'settling':d}f}" for name, value in one.score.measured.items()]
        fails = f"{100.0 * one.score.acceptance.told_share:.0f} %"
        rows.append([mark + SET_NAMES[one.name], number(one.score.total), *measured, fails])
    return Table(SCORED_COLUMNS, rows, " rrrrrrrrr")


def changed_table(old: Mapping[str, Any], new: Mapping[str, Any]) -> Table:
    """Table what differs between two sets of settings."""
    rows = [
        [setting_name(key), short(old[key]), short(new[key]), SETTINGS.get(key, ("", ""))[1]]
        for key in new
        if old[key] != new[key]
    ]
    return Table(("setting", "now", "proposed", "unit"), rows, " rr ")


def short(value: object) -> str:
    """Write a setting, a pair of limits with a word between."""
    if isinstance(value, tuple | list):
        return " to ".join(short(one) for one in value)
    return f"{value:.4g}" if isinstance(value, float) else str(value)


def reason_line(reason: tuning.Reason) -> str:
    """Say why one number has its value: what less and more of it would do."""
    name, unit = SETTINGS.get(reason.name, (reason.name, ""))
    head = f"{name} {reason.value:.4g} {unit}".rstrip()
    sides = [_side(one, reason) for one in (reason.less, reason.more) if one is not None]
    if not sides:
        return f"{head}: kept at the end of what may be tried."
    return f"{head}: {'; '.join(sides)}."


def _side(one: tuning.Instead, reason: tuning.Reason) -> str:
    change = one.score_rpm - reason.score_rpm
    words, unit = TERM_WORDS[one.term]
    told = f"at {one.value:.4g} the score is {change:+.1f}"
    if abs(change) >= 0.5:
        told += f" ({words} {number(one.before)} to {number(one.after)} {unit})"
    if one.failing_share > 0.1:
        told += f", not acceptable on {100.0 * one.failing_share:.0f} % of variations"
    return told


def tune_notes(result: tuning.Tuning, full: bool = True) -> list[str]:
    """Say what the numbers stand on; in short what is to be minded before they are used."""
    from controllers import GAIN, INTEGRAL, law_of

    needs = []
    if not set(law_of(result.settings).settings) <= {GAIN, INTEGRAL}:
        needs.append(
            f"These settings need the law {result.settings.law}: where the controller has only a"
            " proportional and an integral gain, search for the law pi alone: --law pi."
        )
    if not full:
        return [*map(in_words, result.notes), *needs]
    gap = result.gap
    why = "; ".join(in_words(one) for one in result.front.reason)
    notes = [
        *map(in_words, result.notes),
        f"{result.trials} settings, {result.engines} variations of your car tried in {result.seconds:.0f} s.",
        (
            f"Score in the search {gap.search_rpm:.0f}, on variations and noise it never met"
            f" {gap.verdict_rpm:.0f} ({100.0 * gap.share:+.0f} %); present settings there {gap.now_rpm:.0f}."
        ),
        f"Found settings chosen because: {why}.",
    ]
    if result.proposed == "found":
        notes += [reason_line(one) for one in result.reasons]
    told = sorted(result.importance.items(), key=lambda item: -item[1])[:3]
    if told:
        shares = ", ".join(f"{setting_name(name)} {100.0 * share:.0f} %" for name, share in told)
        notes.append(f"What mattered most: {shares}.")
    if result.plateau.neighbours_rpm:
        worst = max(result.plateau.neighbours_rpm.values()) - result.plateau.value_rpm
        notes.append(f"One entry step away from these settings the score rises by {worst:.1f} rpm at most.")
    return [*notes, *needs]
