"""Sentences of the plan of a recording."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from workbench.words.sentence import Sentence, Tell


def _hold(values: Mapping[str, Any], tell: Tell) -> str:
    load = "   {load} on" if values["load"] else ""
    return tell("{from_:6.0f} {to:6.0f} {position:7d} {about:8.0f}" + load)


SENTENCES: dict[str, Sentence] = {
    "guide.plan": "Recording plan for {car}: {length_min!n:.1f} minutes at {rate_Hz:g}",
    "guide.advice": "{number}. {text}",
    "guide.columns": "  from     to   valve    about\n     s      s   steps      rpm",
    "guide.hold": _hold,
    "guide.warm": "Warm the engine fully; coolant must not change by more than a few degrees meanwhile.",
    "guide.feedback_off": "Switch idle feedback off: the valve must stand still between your changes. If the"
    " controller trims spark or mixture at idle, switch that off too, or record both.",
    "guide.by_hand": "Set the valve by hand (its base curve when warm will do), beginning at {base_steps}.",
    "guide.load": "Use the {load} ({load_W:.0f}) as the load, everything else off.",
    "guide.any_load": "Have one load of known watts ready, everything else off.",
    "guide.record": "Record time, rpm and commanded valve steps at {rate_Hz!n:g} rows a second or as fast as"
    " the controller gives; manifold pressure, coolant, battery voltage and spark too if it can.",
    "guide.throttle": "Do not touch the throttle. Times need not be exact: only hold still between changes.",
}
