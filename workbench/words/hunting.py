"""Whether it hunts, in the same four answers everywhere, of one run or of many."""

from __future__ import annotations

from workbench.words.sentence import Sentence

SENTENCES: dict[str, Sentence] = {
    "measures.hunts": "hunts: {hunting} of {runs} runs do, a chance of {low_percent!n:.0f} to"
    " {high_percent:.0f}",
    "measures.may_hunt": "may hunt: {hunting} of {runs} runs do, a chance of {low_percent!n:.0f} to"
    " {high_percent:.0f}",
    "measures.does_not_hunt": "does not hunt: none of {runs} runs does, which leaves a chance of up to"
    " {high_percent:.0f}",
    "measures.cannot_tell": "cannot tell whether it hunts: {hunting} of {runs} runs do, too few runs to say",
    "measures.run.hunts": "this run hunts by {swing_rpm:.0f} peak to peak every {period_s:.1f}",
    "measures.run.goes_to_and_fro": "this run hunts: the valve goes to and fro, unevenly or slowly, and speed"
    " with it by {swing_rpm:.0f}",
    "measures.run.swings_with_valve_still": "this run swings by {swing_rpm:.0f} peak to peak every"
    " {period_s:.1f} with the valve still: the engine does that, not the feedback",
    "measures.run.does_not_hunt": "this run does not hunt; speed wanders by {swing_rpm:.0f} peak to peak",
    "measures.run.cannot_tell": "this run cannot tell whether it hunts: the valve went over once or twice and"
    " speed with it by {swing_rpm:.0f}; let it run for longer",
    "measures.run.too_short": "this run cannot tell whether it hunts: it is too short",
}
"""By the codes of ``tuning.measures``."""
