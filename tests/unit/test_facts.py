"""Facts as somebody types them, and what is said of a slip."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from sim.errors import InputError
from sim.facts import USUAL_LOADS, base_from_text, entry_from_text, loads_from_text, settings_from_text

FINE = {"gain_steps_per_100rpm": 0.1, "integral_steps_per_100rpm_s": 0.1,
        "derivative_steps_s_per_100rpm": 0.1}  # fmt: skip
"""The finest steps of the gains in our own form."""


@pytest.mark.parametrize(
    ("read", "text", "typed"),
    [
        (base_from_text, "-10:60, 40 : 30,90:12.5", ((-10.0, 60.0), (40.0, 30.0), (90.0, 12.5))),
        (loads_from_text, "lamps, fan:90 , automatic:", {
            "lamps_W": USUAL_LOADS["lamps_W"], "fan_W": 90.0, "gearbox_Nm": USUAL_LOADS["gearbox_Nm"]}),
        (loads_from_text, "none", {}),
        (settings_from_text, "law=pi, gain=2,integral_steps_per_100rpm_s=1.5, min_move=3,", {
            "law": "pi", "gain_steps_per_100rpm": 2.0, "integral_steps_per_100rpm_s": 1.5,
            "min_move_steps": 3}),
        (settings_from_text, "min_move=2.5", {"min_move_steps": 2.5}),  # refused by the car file, not here
        (settings_from_text, "trim_high=20", {"trim_limit_steps": [-20.0, 20.0]}),
        (settings_from_text, "trim_low=-8", {"trim_limit_steps": [-8.0, 8.0]}),
        (settings_from_text, "trim_low=-8, trim_high=20", {"trim_limit_steps": [-8.0, 20.0]}),
        (entry_from_text, "sign=-1", {"sign": -1, "resolution": FINE}),
        (entry_from_text, "sign=0.5, finest=0.25", {
            "sign": 0.5, "resolution": dict.fromkeys(FINE, 0.25)}),
        (entry_from_text, "unit=percent_of_travel, time=per_update, per_rpm=50", {
            "output_unit": "percent_of_travel", "gain_time": "per_update", "gain_per_rpm": 50.0,
            "resolution": {**dict.fromkeys(FINE, 0.05), "integral_steps_per_100rpm_s": 0.005,
                           "min_move_steps": 0.1, "trim_limit_steps": 0.1}}),
    ],
)  # fmt: skip
def test_facts_are_read_as_they_are_typed(read: Callable[[str], Any], text: str, typed: object) -> None:
    assert read(text) == typed


@pytest.mark.parametrize(
    ("read", "text", "told"),
    [
        (base_from_text, "0:60,40", '--base:1: pair 2: not a pair ("40"), allowed: degC:steps'),
        (base_from_text, "0:-6", '--base:1: pair 1: not a pair ("0:-6")'),
        (loads_from_text, "lamps, radio:20", '--loads:1: radio: no load of that name ("radio"), allowed: la'),
        (loads_from_text, "fan:much", '--loads:1: fan: not a number ("much"), allowed: a number'),
        (settings_from_text, "gain", '--feedback:1: gain: not a pair ("gain"), allowed: name=value'),
        (settings_from_text, "gain=", '--feedback:1: gain: not a pair ("gain="), allowed: name=value'),
        (settings_from_text, "size=2", '--feedback:1: size: no setting of that name ("size"), allowed: law'),
        (settings_from_text, "trim_low=all", '--feedback:1: trim_low: not a number ("all")'),
        (entry_from_text, "gain=2", '--entry-form:1: gain: no part of that name ("gain"), allowed: unit'),
        (entry_from_text, "finest=thin", '--entry-form:1: finest: not a number ("thin")'),
    ],
)  # fmt: skip
def test_a_slip_is_told_with_what_is_allowed(read: Callable[[str], Any], text: str, told: str) -> None:
    with pytest.raises(InputError) as refused:
        read(text)
    assert str(refused.value).startswith(told)
