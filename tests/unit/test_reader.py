"""What a reader who knows engines, and not this project, would ask about is answered where it stands."""

from __future__ import annotations

import math
from types import SimpleNamespace
from typing import Any, cast

import pytest

import tuning
from sim import load_car, load_scenario, simulate, with_values
from tuning.notes import Note
from tuning.prediction.result import Compared, Comparison
from tuning.starts import start_story
from workbench.commands.simulate import _limits
from workbench.sheet.settings import BESIDE
from workbench.sheet.writing import WRITE_IN
from workbench.words.cautions import basis_words
from workbench.words.hunting import LIMITS
from workbench.words.search import SETTINGS, changed_table
from workbench.words.tables import predicted_and_recorded
from workbench.words.wording import in_words


def compared(*rows: Compared) -> Comparison:
    """What a try comes to by these measures alone."""
    return Comparison("car", "log.csv", rows, 0.0, 60.0, (), cast("Any", None))


@pytest.mark.parametrize("recorded", [821.7, 822.2])
def test_a_record_just_outside_a_range_is_not_shown_as_within_it(recorded: float) -> None:
    row = Compared("lowest_rpm", "rpm", 801.0, 786.2, 821.65, recorded, True, 746.0, 862.0)
    assert not row.inside
    ((_, _, told, _, seen, verdict),) = predicted_and_recorded(compared(row), full=True).rows
    assert verdict == "just outside"
    assert float(seen) > float(told.split(" to ")[1])


def test_a_try_is_never_told_to_lower_and_to_raise_its_gains() -> None:
    late = Compared("settle_s", "s", 5.0, 4.0, 6.0, 15.0, False, 3.0, 8.0)
    swings = Compared("hunting_rpm", "rpm", 50.0, 40.0, 60.0, 200.0, False, 30.0, 80.0)
    told = [one.code for one in compared(late, swings).lines()]
    assert told[-1] == "prediction.next.swing"
    assert "prediction.next.late" not in told
    assert compared(late).lines()[-1].code == "prediction.next.late"
    other = Compared("moves_per_min", "1/min", 5.0, 4.0, 6.0, 90.0, False, 3.0, 8.0)
    assert compared(other).lines()[-1].code == "prediction.next.fit", "there is always a next step"


@pytest.mark.parametrize(("seen", "told"), [((90.0, 90.4), "at 90 °C"), ((62.0, 92.0), "at 62 to 92 °C")])
def test_what_a_fit_saw_is_a_range_only_where_it_is_one(seen: tuple[float, float], told: str) -> None:
    saw = {"basis": "fitted", "fit_verdict": "trusted", "fitted_steps": [7, 21], "fitted_degC": list(seen)}
    assert f"steps, {told}: beyond" in basis_words(with_values(load_car("trials"), {"car": saw}))


def test_settings_are_called_by_the_names_of_the_sheet_everywhere() -> None:
    old = load_car("trials").feedback.model_dump()
    new = {**old, "min_move_steps": 1, "trim_limit_steps": (-10.0, 13.0)}
    assert changed_table(old, new).rows == [
        ["minimum move", "4", "1", "steps"],
        ["trim limit", "-12 to 20", "-10 to 13", "steps"],
    ]
    assert set(BESIDE) < set(SETTINGS)
    assert not [name for name, _ in SETTINGS.values() if "_" in name]


@pytest.mark.parametrize(
    ("scenario", "name"), [("lamps", "worst_settle_s"), ("cold_start_10", "start_flare_rpm")]
)
def test_a_run_is_told_beside_the_limits_of_the_stress_matrix(scenario: str, name: str) -> None:
    car, read = load_car("trials"), load_scenario(scenario)
    limits = tuning.stress_limits(880.0, car.engine.stall_rpm, 50.0)
    good = _limits(car, read, 50.0, 880.0)
    assert good[name] == f"up to {float(limits[name][0]):.0f}"
    assert good["lowest_rpm"].startswith("at least ")
    assert "moves_per_min" not in good, "moves that a load or a start asks for are not wear"
    assert "moves_per_min" in _limits(car, load_scenario("warm_idle"), None, 880.0)
    assert "nan" not in " ".join(_limits(car, read, None, 880.0).values())


def test_the_matrix_says_once_what_its_limits_mean() -> None:
    counts = {"failed": 1, "warned": 2, "passed": 3, "not_fitted": 0, "cases": 6, "engines": 16}
    assert in_words(Note("stress.verdict", suite="standard", **counts)).endswith(LIMITS)


def test_a_start_counts_its_times_from_one_moment() -> None:
    car = load_car("trials")
    story = start_story(simulate(car, load_scenario("cold_start_10")), car)
    phases = {str(one["name"]): one for one in story.lines() if one.code == "starts.phase"}
    assert cast("float", phases["cranking"]["from_s"]) == pytest.approx(0.0, abs=1e-6)
    assert cast("float", phases["flare"]["from_s"]) == pytest.approx(story.run_s, abs=1e-6)
    after = cast("Note", phases["after-start"]["text"])
    assert math.isclose(cast("float", after["acts_s"]), story.feedback_s, abs_tol=1e-6)


def test_a_column_to_go_back_to_says_that_nothing_is_known() -> None:
    from workbench.sheet.making import make_sheet
    from workbench.sheet.writing import write_body

    said: list[str] = []
    pages = SimpleNamespace(
        paragraph=lambda text, *_, **__: said.append(text), heading=lambda *_, **__: None,
        table=lambda *_, **__: None, points=lambda *_: None,
    )  # fmt: skip
    car = load_car("trials")
    for before in (None, car):
        said.clear()
        write_body(make_sheet(car, before=before), cast("Any", pages))
        assert (WRITE_IN in said) == (before is None)
