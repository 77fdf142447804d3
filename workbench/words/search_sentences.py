"""Sentences on what a search found."""

from __future__ import annotations

from collections.abc import Mapping

from workbench.words.sentence import Sentence, Tell, Values

BESIDE = {
    "open_loop": "the base curve alone", "present": "the present settings",
    "rule": "the settings by rule", "plain": "the plain set (the same for any car)",
}  # fmt: skip
FAILINGS = {
    "stalls_percent": "an engine stalls", "not_back_percent": "a load is not over within 6 s in most runs",
    "error_percent": "the mean error while settled is above 20 rpm",
    "limited_percent": "the trim stands at its limit for more than a tenth of a drive",
    "hunts_percent": "the idle hunts",
}  # fmt: skip


def _not_acceptable(values: Values, tell: Tell) -> str:
    by = ", ".join(
        f"{FAILINGS[name]} on {tell('{' + name + ':.0f}')}" for name in FAILINGS if values[name] > 0.0
    )
    share = tell("{failing_percent:.0f}")
    told = f"Not acceptable on {share} of fresh variations of your car, where a tenth is allowed: {by}."
    lacks = "".join(f" {tell(one)}" for one in values["lacks"])
    if not values["searched"] or any(one.code == "search.lacking.feed_forward" for one in values["lacks"]):
        return told + lacks
    return f"{told}{lacks} No set compared is acceptable; a finer valve or a better base curve may help."


def _loads(values: Values, tell: Tell) -> str:
    told = tell(
        "Lamps and the like ({lamps_W:.0f} at once) are not over in time on {lamps_percent:.0f}, everything"
        " ({all_W:.0f}) on {all_percent:.0f}: it needs {least_steps!n:.0f} to {most_steps:.0f} above the base"
        " curve, and trim may add {trim_steps!n:.0f}."
    )
    if values["beyond_percent"] > 0.0:
        told += tell(" On {beyond_percent:.0f} the valve's open limit is too low for it.")
    return told


def _proposed(values: Values, tell: Tell) -> str:
    text = f"Proposed: {BESIDE[values['proposed']]}; " + tell(
        "score {score_rpm!n:.0f} on fresh variations (lower is better); what was found {found_rpm!n:.0f}"
    )
    return f"{text}." if values["found_met"] else f"{text}, but is not acceptable there."


def _acceptable_beside(values: Values, tell: Tell) -> str:
    beside = BESIDE.get(values["beside"], "what was found")
    told = tell("Acceptable there, but with a score of {score_rpm!n:.0f} instead of {proposed_rpm:.0f}: ")
    return f"{told}{beside}. Of so few variations one more or less is chance."


SENTENCES: Mapping[str, Sentence] = {
    "search.chosen.best": "best score of {compared} candidates on variations the search had not met, {met} of"
    " them acceptable there",
    "search.chosen.none_met": "least bad of {compared} candidates on variations the search had not met: none"
    " is acceptable there",
    "search.chosen.flat": "of the last {last} compared {flat} are acceptable and stand on a plateau, and one"
    " entry step away these score hardly more",
    "search.chosen.steep": "of the last {last} compared {flat} are acceptable and stand on a plateau; a"
    " neighbour of these scores {steep_rpm:.1f} more than allowed, and they are better all the same",
    "search.chosen.plainer_law": "the law pi is preferred, as no other earns {earned_percent:.0f}",
    "search.base.off": "The base curve comes first: warm it gives {base_steps:.0f}, where the engine idles"
    " at {idles_rpm:.0f} and needs {needed_steps:.0f} for {target_rpm:.0f}. That is more than the"
    " {carried_steps:.0f} that trim should carry: correct it with `evenidle base`, then search again.",
    "search.proposed": _proposed,
    "search.acceptable_beside": _acceptable_beside,
    "search.not_acceptable": _not_acceptable,
    "search.lacking.loads": _loads,
    "search.lacking.feed_forward": "Steps for known loads, where the controller has them, would leave"
    " {left_percent:.0f} with the same feedback: put load_steps_per_100W = {load_steps_per_100W!n:g} into the"
    " car file and search again.",
}
