"""The chart of a log: no swing lost by drawing few points, a stretch gone to, the model's run over it."""

from __future__ import annotations

import numpy as np
import pytest

import tuning
from sim import bundled_folder, load_car
from tests.page.browsing import Look, wait_for
from workbench.page.log_chart import log_options
from workbench.page.look import LIGHT
from workbench.page.work_log import MOST_PLACES, MOST_POINTS, _points, log_lines

LOGS = bundled_folder() / "logs"


def test_few_points_keep_the_least_and_the_most_of_what_lies_between() -> None:
    time_s = np.arange(0.0, 3600.0, 0.05)
    rpm = 900.0 + 5.0 * np.sin(time_s)
    rpm[[777, 50_001]] = (400.0, 1500.0)
    drawn = np.array(_points(time_s, rpm))
    assert drawn.shape[0] <= MOST_POINTS
    assert (drawn[:, 1].min(), drawn[:, 1].max()) == (400.0, 1500.0)
    assert np.all(np.diff(drawn[:, 0]) > 0.0)
    few = np.array(_points(time_s[:500], rpm[:500]))
    assert np.allclose(few, np.column_stack([time_s[:500], rpm[:500]]), atol=0.01)


def test_the_models_run_is_over_a_log_with_feedback_and_not_over_holds_by_hand() -> None:
    car = load_car("trials")
    for name, modelled in (("trials_hunting.csv", True), ("trials_recording.csv", False)):
        log = tuning.read_log(LOGS / name)
        found = log_lines(log, tuning.diagnose(log, car), car)
        assert ("model" in found["lines"]) == modelled
        assert 0 < len(found["places"]) <= MOST_PLACES
        assert found["places"] == sorted(found["places"], key=lambda one: one[1])
        assert "model" not in log_lines(log, tuning.diagnose(log), None)["lines"]


def test_rows_are_those_that_the_log_has_in_the_units_shown() -> None:
    log = tuning.read_log(LOGS / "trials_hunting.csv")
    found = log_lines(log, tuning.diagnose(log), None)
    metric, imperial = (log_options(found, LIGHT, one) for one in (False, True))
    assert [one["name"] for one in metric["yAxis"]] == ["speed [rpm]", "valve [steps]", "manifold [kPa]"]
    assert imperial["yAxis"][2]["name"] == "manifold [inHg]"
    in_kPa, in_inHg = (one["series"][-1]["data"][5][1] for one in (metric, imperial))  # noqa: N806
    assert in_inHg == pytest.approx(in_kPa / 3.386, abs=0.01)  # 1 inHg is 3.386 kPa (NIST SP 811)
    rpm_alone = {"lines": {"rpm": found["lines"]["rpm"]}, "places": []}
    assert len(log_options(rpm_alone, LIGHT, False)["grid"]) == 1


@pytest.mark.browser
def test_a_stretch_is_gone_to_and_the_whole_log_is_back(look: Look) -> None:
    look.tab("Log")
    look.press("a recording to fit")
    look.wait_text("trials_recording.csv: 300 s idling")
    look.press("load, 121 to 129 s")

    def zoomed() -> bool:
        ends = [look.option(".tall")["dataZoom"][1][key] for key in ("startValue", "endValue")]
        return bool(np.allclose(ends, (119.8, 130.2), atol=1.0))

    wait_for(zoomed, "the load is looked at closely")
    look.press("the whole log")
    wait_for(lambda: look.option(".tall")["dataZoom"][1]["endValue"] > 175.0, "all of it again")
