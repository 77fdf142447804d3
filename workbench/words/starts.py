"""Sentences of starts: phases, findings, and a valve that is not where it is counted."""

from __future__ import annotations

from workbench.words.sentence import Sentence, Tell, Values


def _hidden_offset(values: Values, tell: Tell) -> str:
    stop, acts = (
        "",
        "feedback does not act {resting_percent:.0f} of the time, as speed is too far above target",
    )
    if values["left_steps"] != values["steps"]:
        stop = " {left_steps!a:.0f} of them are left after the stop at the other end:"
    if not values["resting_percent"] > 50.0:
        acts = (
            "feedback trims {trim_steps:+.0f} on average, at its limit {limited_percent:.0f} of the"
            " time, {closing:.0f} left to close with"
        )
    return tell(
        "homing ended {steps!a:.0f} steps off the seat:" + stop + " the valve stands that much further"
        " {left_steps!p:open|closed} than counted. Over the {after_min!n:.0f} minutes after, " + acts
        + ", and the idle is {error_rpm:+.0f} off target. {long_enough!p:Homing drives far enough: look for a"
        " valve wired the wrong way round, one that sticks, or too short a pulse; see evenidle check.|More"
        " homing_steps than the longest travel end at the seat from anywhere.}"
    )  # fmt: skip


def _lost(values: Values, tell: Tell) -> str:
    ways = (("closed_steps", "closed"), ("open_steps", "open"))
    off = " and up to ".join(
        f"{{{name}:.0f}} further {way}" for name, way in ways if values[name] > values["least_steps"]
    )
    when = "from {from_s:.0f}" + (" to {to_s:.0f}" if values["mended"] else " on")
    return tell(
        f"{when} the valve stands up to {off} than counted: steps were lost, made the wrong way, or"
        " never homed. What feedback trims then tells nothing of the base curve. See evenidle"
        " check: direction, homing, pulse."
    )


SENTENCES: dict[str, Sentence] = {
    "starts.base_error": "at {from_degC!n:.0f} to {to_degC:.0f}, in this one start, feedback held"
    " {at_limit!p:at least }{by_steps:.0f} {low!p:more|less} than the base curve",
    "starts.out_of_reach": "from {from_degC!n:.0f} to {to_degC:.0f} feedback did not act and the engine ran"
    " {off_rpm:.0f} {above!p:above|below} its target: the base curve is far too {above!p:high|low} there",
    "starts.hidden_offset": _hidden_offset,
    "starts.lost": _lost,
    "starts.no_firing": "{car}, {scenario}: the engine does not start.",
    "starts.no_run_up": "{car}, {scenario}: it fires {fires_s:.1f} after cranking begins and does not run up"
    " with the valve at its cranking position, {valve_steps:.0f}.",
    "starts.stalls": "{car}, {scenario}: it runs {run_s:.1f} after cranking begins and stalls at"
    " {stalled_s:.1f}, with the valve at {valve_steps:.0f}.",
    "starts.stays_low": "{car}, {scenario}: it fires {fires_s:.1f} after cranking begins and stays below"
    " {share_percent:.0f} of its target for the first minute.",
    "starts.runs": "{car}, {scenario}: it runs {run_s:.1f} after cranking begins, rises {flare_rpm:.0f}"
    " above target, falls to {lowest_rpm:.0f} and {stays!p:stays, smoothed, within {within_rpm:.0f} of"
    " target from {stable_s:.0f} after cranking began to the end of the first minute|is not within"
    " {within_rpm:.0f} of target to stay in a minute}.",
    "starts.numbers": lambda _, tell: tell(
        "times count from cranking{cranking_rpm!k: (at {cranking_rpm:.0f})}{lowest_V!k:; battery down to"
        " {lowest_V:.1f}}{first_firing_s!k:; first firing at {first_firing_s:.2f}}{feedback_s!k:; feedback"
        " acts from {feedback_s:.1f} on, with {trim_low:+.0f} to {trim_high_steps:+.0f} of trim}."
    ),
    "starts.phase": "{from_s:6.1f} {name}: {text}",
    "starts.phase.homing": "valve from {was:.0f} to {now_steps:.0f} in {takes_s:.2f}",
    "starts.phase.waiting": "valve to cranking, {wide_steps:.0f}",
    "starts.phase.no_start": "the engine does not start",
    "starts.phase.cranked": "runs after {after_s:.1f}",
    "starts.phase.slow": "runs after {after_s:.1f}, most of it without the starter: that is let go at"
    " {let_go_s:.0f}",
    "starts.phase.flare": "highest {highest_rpm:.0f} in {within_s:g}, target {target:.0f}",
    "starts.phase.after_start": "air decays until {faded_s:.0f} after cranking began; feedback acts from"
    " {acts_s:.0f} on",
    "starts.phase.after_start_without": "air decays until {faded_s:.0f} from cranking; feedback does not act",
    "starts.phase.over": "",
    "starts.phase.warm_up": "{of} {reached_degC:.0f} at the end",
    "starts.phase.warm": "idles at {mean_rpm:.0f}",
    "starts.phase.stands": "the engine stands",
    "starts.phase.tried_again": "the engine stands; the key is turned again {again_s:.0f} after cranking"
    " began and it does not run",
    "starts.phase.runs_again": "the engine stands; the key is turned again {again_s:.0f} after cranking"
    " began, it runs at {runs_s:.0f}",
    "starts.result.stalls": "does not keep running",
    "starts.result": "runs after {run_s:.1f}, flare {flare_rpm:.0f}, lowest {lowest_rpm:.0f},"
    " {stays!p:within {within_rpm:.0f} of target from {stable_s:.0f} on|not within {within_rpm:.0f} of"
    " target to stay in a minute}",
}
