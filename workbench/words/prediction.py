"""What is predicted and how it compares with what was recorded."""

from __future__ import annotations

from workbench.words.sentence import Sentence

MEASURES = {
    "hunting_rpm": (
        "swing at idle (peak to peak)",
        "the valve gain is higher than in the model, or something beside the valve swings",
        "calmer than expected",
    ),
    "scatter_rms_rpm": (
        "spread of all it does (standard deviation)",
        "speed varies more: hunting, or firing less even than the model's",
        "speed varies less than expected",
    ),
    "mean_error_rpm": (
        "target minus mean speed",
        "the engine is short of air: base curve, or feedback at its limit",
        "the engine has too much air: base curve, throttle stop or a leak",
    ),
    "lowest_rpm": ("lowest speed", "it dips less than expected", "it dips deeper than expected"),
    "dip_rpm": (
        "mean dip after a load",
        "loads are larger, or torque comes later than the model has",
        "loads are smaller than the model has",
    ),
    "settle_s": (
        "mean settling after a load",
        "feedback is slower on the car: see that the settings are entered as listed",
        "it settles sooner than expected",
    ),
    "moves_per_min": (
        "valve moves a minute",
        "idle roughness or hunting keeps the valve busy",
        "the valve moves less than expected",
    ),
    "mean_steps": (
        "mean valve position",
        "the car needs more steps: steps lost, a pinched hose, or more friction",
        "the car needs fewer steps: a leak, or the throttle stop moved",
    ),
}
"""Meaning of what is compared, and what it hints at where the record is above, below."""
EXPECTED = {
    "hunting_rpm": "swing at warm idle, peak to peak",
    "worst_dip_rpm": "deepest dip as everything electric comes on", "settle_s": "settling after a load",
    "undershoot_rpm": "furthest below target after a blip",
    "lowest_rpm": "lowest speed, blip and loads included", "moves_per_min": "valve moves a minute",
}  # fmt: skip


SENTENCES: dict[str, Sentence] = {
    "prediction.measure": lambda values, _: MEASURES[values["name"]][0],
    "prediction.more": lambda values, _: MEASURES[values["name"]][1],
    "prediction.less": lambda values, _: MEASURES[values["name"]][2],
    "prediction.no_hint": "",
    "prediction.expected": lambda values, _: EXPECTED[values["name"]],
    "prediction.as_predicted": "The car does what was predicted: {inside} of {of} measures lie in the range"
    " of eight runs in ten{others!p:, the others within its margin|}.",
    "prediction.near": "The car is near the prediction, but not as predicted: {inside} of {of} measures lie"
    " in the range of eight runs in ten, the others within its margin.",
    "prediction.differs": "The car differs from the prediction in: {measures}; {inside} of {of} measures lie"
    " in the range of eight runs in ten.",
    "prediction.next.base": "{more!p:Raise|Lower} the base curve by {by_steps:.0f} at this temperature, if no"
    " load was on: that is how much the valve was held {more!p:more|less} open than predicted.",
    "prediction.next.not_held": "Speed was {error_rpm:.0f} {fast!p:above|below} target with the valve"
    " {fast!p:more|less} open than predicted: no feedback does that. Was it off, or the direction wrong?"
    " Change nothing by this log; record one with feedback on.",
    "prediction.next.hunts": "It hunts by {swing_rpm:.0f}, as predicted: search for other settings (evenidle"
    " tune) before the next try.",
    "prediction.next.go_on": "Nothing to change: go on with the next step of the sheet.",
    "prediction.next.swing": "It swings more: {wide!p:|widen the deadband to {half_rpm:.0f} or }halve both"
    " gains, one change at a time, and fit the car to this log before the next search.",
    "prediction.next.late": "It recovers late: raise the integral gain by a quarter at the most.",
    "prediction.next.fit": "Fit the car to this log (evenidle fit) before the next search.",
    "prediction.difference": "{measure}: {hint}.",
    "prediction.runs_stall": "{stalling_percent:.0f} of the predicted runs stall under these loads",
    "prediction.loads_guessed": "loads were not recorded: their times were found, their size is guessed",
}
