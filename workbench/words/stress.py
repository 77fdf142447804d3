"""Sentences of the stress matrix."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from workbench.words.sentence import Sentence, Tell


def _case(values: Mapping[str, Any], tell: Tell) -> str:
    side = "at least" if values["at_least"] else "at most"
    told = tell("{verdict}  {name}: {meaning} {value:.3g} {of} (limit " + side + " {limit:.3g}), {car}")
    return told + (tell("; it {hunting}") if values["hunting"] else "")


def _verdict(values: Mapping[str, Any], tell: Tell) -> str:
    failed, warned = values["failed"], values["warned"]
    head = "no failures" if failed == 0 else f"{failed} {'FAILS' if failed == 1 else 'FAIL'}"
    need = f"{warned} {'needs' if warned == 1 else 'need'} work"
    lacking = ", {not_fitted} not fitted to this car" if values["not_fitted"] else ""
    return tell(
        f"Stress suite {{suite}}: {head}, {need}, {{passed}} within all limits" + lacking
        + "; {cases} cases on {engines} plausible cars."
    )  # fmt: skip


SENTENCES: dict[str, Sentence] = {
    "stress.stalled": "stalls",
    "stress.lowest": "lowest speed",
    "stress.hunting_percent": "chance of hunting, at least",
    "stress.hunting": "swing at idle, peak to peak",
    "stress.error": "mean error at rest",
    "stress.dip": "deepest below target after a load",
    "stress.undershoot": "deepest below target after a blip",
    "stress.highest": "highest above target",
    "stress.start_flare": "flare after a start",
    "stress.settle": "recovery after a load",
    "stress.moves": "moves of the valve",
    "stress.limited": "time at a trim limit",
    "stress.not_fitted": "none  {name}: not fitted to this car",
    "stress.case": _case,
    "stress.verdict": _verdict,
}
