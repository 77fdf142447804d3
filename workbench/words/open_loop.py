"""Sentences of proposed open-loop curves."""

from __future__ import annotations

from workbench.words.sentence import Sentence, Tell, Values


def _logged_point(values: Values, tell: Tell) -> str:
    mended = ", speed was {mended_rpm:.0f} off" if values["mended_rpm"] > 15.0 else ""
    return tell(
        "{at_degC:4.0f}: {now:.1f} -> {proposed_steps:.0f} (held {held:.1f}, spread {spread:.1f},"
        " over {over_s:.0f}" + mended + ")"
    )


SENTENCES: dict[str, Sentence] = {
    "open_loop.wanted.most": "up to {most_rpm:.0f}",
    "open_loop.wanted.stable": "within {within_rpm:.0f} from {stable_s:.0f} after cranking begins",
    "open_loop.wanted.runs": "to run",
    "open_loop.reached": "{reached_rpm:.0f}",
    "open_loop.reached.off": "up to {reached_rpm:.0f} off",
    "open_loop.reached.stalls": "stalls",
    "open_loop.missed": "start at {start_degC:.0f} misses one target ({target}): {reached}, wanted"
    " {wanted}; {why}",
    "open_loop.reasons": "{why}",
    "open_loop.never_starts": "no curve tried starts it every time",
    "open_loop.best_tried": "the best of {tried} curves tried came to {reached}",
    "open_loop.met_alone": "a curve met it in the search, but not one that also serves colder starts and"
    " unlucky ones",
    "open_loop.traded": "curves that meet it miss {target} instead ({reached})",
    "open_loop.coarse": "the minimum move leaves the valve up to {above_rpm:.0f} above its curve until"
    " feedback acts: a smaller one is finer",
    "open_loop.limit": "the cold engine wants {need_steps:.0f}, the open limit is {limit:.0f}: an auxiliary"
    " valve that passes air only while cold, or a larger valve",
    "open_loop.steep": "the need falls by {falls_steps:.0f} in the first {over_K:.0f} of warming, and the"
    " curve must serve colder starts there too: feedback has to do the rest",
    "open_loop.worse": "start at {start_degC:.0f}, worse than with your own curves: {what}",
    "open_loop.worse.stalls": "it does not run",
    "open_loop.worse.target": "{target} {new} instead of {old} ({within!p:within|beyond} the target)",
    "open_loop.verdict": "{car}: {faults!k:mend the valve first ({faults}: see evenidle check), no curve"
    " helps one that is not where it is counted; }curves proposed from the model; starts without"
    " feedback meet all targets at {met} of {of} temperatures, with your own curves at {were}"
    "{fails!p: ({fails} do not run)}{worse!p:; at {worse} something gets worse, see --full}. Nothing was"
    " changed.",
    "open_loop.targets": "targets: flare {flare}, dip {dip}, stable {speed}; what is told of starts is the"
    " worst of several, feedback off, counted from cranking",
    "open_loop.fading": "after-start air decays over {now:g} -> {fade_s:g}, as walls and oil warm later than"
    " what the curves go by; take the three curves together",
    "open_loop.finer": "with a minimum move of 1 step, curves found the same way meet all targets at {met}"
    " of {of} temperatures{more!p:: set it to 1 first, and run base again|, no more than these}",
    "open_loop.point": "{at_degC:4.0f}: base {base_now:.0f} -> {base:.0f}, cranking {cranking_now:.0f} ->"
    " {cranking:.0f}, after-start {after_now:.0f} -> {after_steps:.0f}{reached!p:|; the open limit does"
    " not reach the target speed here}",
    "open_loop.starts": "start at {start_degC:.0f}: {now}; proposed: {then}",
    "open_loop.logged": "{car}: base curve proposed {several!p:from {low_degC!n:.0f} to {high_degC:.0f}|at"
    " {low_degC:.0f}}, up to {most_steps:.1f} from yours. Nothing was changed.",
    "open_loop.logged.point": _logged_point,
    "open_loop.logged.lifted": "your curve below {at_degC:.0f} lies under the proposed {proposed_steps:.0f}:"
    " it was lifted to them, record a colder start",
    "open_loop.logged.lowered": "your curve above {at_degC:.0f} lies over the proposed {proposed_steps:.0f}:"
    " it was lowered to them, record it warmer",
    "open_loop.logged.no_room": "only {closing_steps:.1f} ({worth_rpm:.0f}) remain to close when warm:"
    " close the throttle stop a little, so that the valve must open more to hold the target",
}
