"""What a fit says of its logs, its numbers and itself."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from workbench.words.sentence import Sentence, Tell


def _number(values: Mapping[str, Any], tell: Tell) -> str:
    change = "{change:+.2f} {unit}" if values["unit"] else "x {change:.2f}"
    now = "" if values["value"] is None else ", now {value:.4g}"
    return tell("{name}: " + change + " ({low:.2f} to {high:.2f})" + now)


def _not_told(values: Mapping[str, Any], tell: Tell) -> str:
    return _number(values, tell) + ", not told by the log: the file's value holds"


_POSITION = (
    "from {at_s:.0f} on, speed is {off_rpm:+.0f} off for the same steps (worth"
    " {off_steps:+.1f}): the valve lost its position, or a load changed"
)

SENTENCES: dict[str, Sentence] = {
    "identification.no_pressure": "{file}: without manifold pressure, friction, leak and manifold volume are"
    " told less surely",
    "identification.cold": "{file}: recorded cold ({coolant_degC:.0f}); warm friction follows from it by the"
    " oil's law",
    "identification.feedback_on": "{file}: the valve's moves follow speed: feedback was on, which blurs what"
    " the valve does; record with feedback off",
    "identification.load": "{size_W:.0f}",
    "identification.loads_found": "loads that were not recorded were found and taken into account: {loads}",
    "identification.spark_unsteadies": "spark moves by {slope_deg_per_100rpm!n:+.1f} deg per 100 rpm below"
    " target and retards as speed falls, which unsteadies idle",
    "identification.spark_steadies": "spark moves by {slope_deg_per_100rpm!n:+.1f} deg per 100 rpm below"
    " target and steadies idle",
    "identification.spark_varies": "spark varies by {spread_deg!n:.1f} deg without following speed; the fit"
    " takes it as constant",
    "identification.moved": "{moves} moves of the valve and the loads moved speed by {moved_rpm:.0f} rms in"
    " {scatter_rpm:.0f} of scatter",
    "identification.moved_too_little": "{moves} moves of the valve and the loads moved speed by"
    " {moved_rpm:.0f} rms in {scatter_rpm:.0f} of scatter; at least {fewest} moves and {times:g} times the"
    " scatter are needed: record as the guide says (fit --guide)",
    "identification.too_few_holds": "too few holds of the valve to keep any back",
    "identification.holds_predicted": "{holds} holds kept back are predicted to {rms_rpm:.0f} rms"
    " ({fitted_rpm:.0f} where fitted), their levels to {levels_rpm:.0f}",
    "identification.added": "{name} {added:+.2g} {unit}",
    "identification.factor": "{name} times {factor:.2g}",
    "identification.beyond_belief": "the car file had to be changed beyond belief: {numbers}; check it"
    " against the car",
    "identification.guesses_off": "only guesses of the car file were far off: {numbers}",
    "identification.believed": "no number of the car file had to be changed beyond belief",
    "identification.worth": "a step is worth {worth_rpm:.1f} ({low_rpm!n:.1f} to {high_rpm!n:.1f})",
    "identification.worth_unknown": "a step is worth {worth_rpm:.1f} ({low_rpm!n:.1f} to {high_rpm!n:.1f}),"
    " not known well enough: more and larger moves, held longer, would tell",
    "identification.stood_still": "the valve stood still: its direction is not seen",
    "identification.wrong_way": "speed falls as more steps are commanded: the valve is wired the wrong way"
    " round, or its steps are counted from the open end",
    "identification.right_way": "speed rises with the steps commanded",
    "identification.position_lost": _POSITION,
    "identification.position_kept": "the same steps give the same speed throughout",
    "identification.number": _number,
    "identification.number_not_told": _not_told,
    "identification.trusted": "The fit can be trusted.",
    "identification.not_trusted": lambda values, tell: (
        "The fit is not to be trusted: " + "; ".join(map(tell, values["reasons"])) + "."
    ),
    "identification.at_steps": "at {at_steps:.0f} a step is worth {worth_rpm:.1f} ({low_rpm!n:.1f} to"
    " {high_rpm!n:.1f}), main pole {pole:.2f} rad/s ({pole_low:.2f} to {pole_high:.2f})",
    "identification.scatter": "scatter {scatter_rpm:.1f} with the valve held (work of a firing uneven by"
    " {uneven_percent:.1f}, memory {memory:.1f})",
    "identification.note": "note: {note}",
    "identification.part_of_the_way": "the car file's rules allow only {share:g} of the way to the best fit",
    "identification.unchanged": "the best fit breaks the car file's rules: the car is unchanged",
}
