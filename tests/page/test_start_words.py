"""What the page says of a start is true at the moment shown, and of its later part too."""

from __future__ import annotations

import math
from typing import Any

import pytest

from sim import Car, load_car, with_values
from workbench.page.look import DARK
from workbench.page.start_tab import moment, past_phases, start_frame
from workbench.page.work_start import start_work
from workbench.words.wording import worded

FOUND: dict[str, Any] = {
    "lines": {
        "rpm": [[0.0, 0.0], [10.0, 1500.0], [48.0, 1000.0], [240.0, 900.0]],
        "target_rpm": [[0.0, 1000.0], [240.0, 900.0]],
        "valve_steps": [[0.0, 60.0], [40.0, 31.0], [240.0, 20.0]],
        "base_steps": [[0.0, 50.0], [240.0, 20.0]],
        "coolant_degC": [[0.0, 0.0], [48.0, 19.0], [240.0, 44.0]],
        "oil_degC": [[0.0, 0.0], [240.0, 30.0]],
    },
    "engine": "cylinder head", "length_s": 240.0, "finding": "twin: it runs.",
    "phases": [
        ["cranking", 2.0, 4.0, "runs after 2.0 s"],
        ["flare", 4.0, 9.0, "highest 1500 rpm in 5 s"],
        ["warm-up", 9.0, 240.0, "cylinder head 44 degC at the end"],
    ],
}  # fmt: skip


def started(car: Car, coolant_degC: float = 0.0) -> dict[str, Any]:
    """One start as its job gives it."""
    return start_work(lambda *_told, **_more: None, car=car, coolant_degC=coolant_degC, seed=0)


def test_a_moment_is_told_as_it_is_then() -> None:
    told = moment(FOUND, 48.0, imperial=False)
    assert told == ("48.0 s, warm-up: speed 1000 rpm, valve 31 steps, cylinder head 19 °C, oil 0 °C")
    # By hand: 19 degC are 66.2 degF.
    assert "cylinder head 66 °F, oil 32 °F" in moment(FOUND, 48.0, imperial=True)
    assert moment(FOUND, 240.0, imperial=False).startswith("240.0 s: speed 900 rpm")


def test_a_phase_is_summed_up_once_it_is_over() -> None:
    assert past_phases(FOUND, 3.9, imperial=False) == []
    assert past_phases(FOUND, 48.0, imperial=False) == [
        "cranking, 2.0 to 4.0 s: runs after 2.0 s",
        "flare, 4.0 to 9.0 s: highest 1500 rpm in 5 s",
    ]
    assert past_phases(FOUND, 240.0, imperial=False)[-1].endswith("cylinder head 44 degC at the end")


def test_the_legend_has_the_words_of_the_text_and_needs_no_pages() -> None:
    frame = start_frame(FOUND, DARK, imperial=False)
    assert "cylinder head" in frame["legend"]["data"]
    assert frame["legend"].get("type") != "scroll"
    assert {line["name"] for line in frame["series"]} == set(frame["legend"]["data"])


@pytest.mark.parametrize(("name", "engine"), [("trials", "coolant"), ("twin", "cylinder head")])
def test_the_engine_is_called_what_its_phases_call_it(name: str, engine: str) -> None:
    found = started(load_car(name))
    assert found["engine"] == engine
    assert worded(found["phases"][-1][3]).startswith(engine)
    oil = with_values(load_car(name), {"sensors": {"temperature_of": "oil"}})
    assert started(oil)["engine"] == "engine", "not the name of the other line"


def test_hunting_after_the_first_minute_is_told() -> None:
    car = load_car("trials")
    # A step of this valve moves the speed by more than the deadband holds.
    told = started(with_values(car, {"feedback": {"min_move_steps": 12}}))["finding"]
    assert "After that minute this run hunts" in told
    held = started(with_values(car, {"feedback": {"law": "none"}}))["finding"]
    assert "After that minute this run does not hunt" in held


def test_a_start_that_stalls_tells_of_nothing_later() -> None:
    shut = [(0.0, 0.0), (1.0, 0.0)]
    curves = {"base_steps": shut, "cranking_steps": shut, "after_start_steps": shut}
    found = started(with_values(load_car("trials"), {"curves": curves}), -20.0)
    assert "After that minute" not in found["finding"]
    assert math.isfinite(found["length_s"])
