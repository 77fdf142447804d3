"""What an owner wrote into a car file stays there when a car is saved."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sim import Car, car_to_toml, load_car, save_car, with_values
from sim.car import cars_folder
from sim.estimates import estimate_car
from sim.toml_text import ORIGINS

Changes = Mapping[str, Mapping[str, object]]
OWNERS = cars_folder() / "trials.toml"
"""A file as an owner writes it: remarks in all places, most keys left out."""


@pytest.fixture
def mine(tmp_path: Path) -> Path:
    """An owner's file, with remarks no program would write."""
    text = OWNERS.read_text(encoding="utf-8")
    text = text.replace("[feedback]\n", "[feedback] # tried on a wet Tuesday\n# not above 4\n")
    path = tmp_path / "mine.toml"
    path.write_text(text, encoding="utf-8")
    return path


def comments(text: str) -> list[str]:
    """Each comment of a file, without what stands before it."""
    return [line.partition("#")[2].strip() for line in text.splitlines() if "#" in line]


def saved(car: Car, path: Path, **options: object) -> str:
    """Text of the file after saving, which says just that car."""
    save_car(car, path, **options)  # type: ignore[arg-type]
    assert load_car(path) == car
    return path.read_text(encoding="utf-8")


def test_nothing_is_touched_where_nothing_differs(mine: Path) -> None:
    before = mine.read_bytes()
    saved(load_car(mine), mine)
    assert mine.read_bytes() == before


def test_only_what_differs_is_changed(mine: Path) -> None:
    before = mine.read_text(encoding="utf-8")
    car = with_values(load_car(mine), {"feedback": {"gain_steps_per_100rpm": 1.25, "law": "pid"}})
    after = saved(car, mine)
    assert comments(after) == comments(before)
    changed = [
        line for line, old in zip(after.splitlines(), before.splitlines(), strict=True)
        if line != old
    ]  # fmt: skip
    assert [line.split(" = ")[0] for line in changed] == ["law", "gain_steps_per_100rpm"]


def test_what_was_left_out_is_added_with_its_meaning_where_its_table_ends(mine: Path) -> None:
    before = mine.read_text(encoding="utf-8")
    changes: Changes = {"feedback": {"nudge_steps": 3}, "starter": {"free_rpm": 260.0}}
    after = saved(with_values(load_car(mine), changes), mine)
    assert set(comments(before)) < set(comments(after))
    assert "nudge_steps = 3  # [steps] size of one nudge (law nudge)" in after
    assert tomllib.loads(after)["feedback"]["nudge_steps"] == 3


def test_rows_of_a_curve_keep_their_remarks(mine: Path) -> None:
    text = mine.read_text(encoding="utf-8")
    start, _, rest = text.partition("base_steps = ")
    old, _, rest = rest.partition("\n")
    rows = "[ # by hand\n  [0, 50], # frost\n  [40, 30],\n  [80, 12], # warm\n]"
    assert old.startswith("[[")
    mine.write_text(f"{start}base_steps = {rows}\n{rest}", encoding="utf-8")
    curve = ((0.0, 52.0), (20.0, 40.0), (40.0, 30.0), (80.0, 12.0))
    after = saved(with_values(load_car(mine), {"curves": {"base_steps": curve}}), mine)
    assert {"by hand", "frost", "warm"} <= set(comments(after))


def test_windows_line_ends_stay(mine: Path) -> None:
    mine.write_bytes(mine.read_bytes().replace(b"\n", b"\r\n"))
    saved(with_values(load_car(mine), {"feedback": {"nudge_steps": 3}}), mine)
    content = mine.read_bytes()
    assert content.count(b"\n") == content.count(b"\r\n") > 50


def test_another_file_s_text_is_taken_over(mine: Path, tmp_path: Path) -> None:
    car = with_values(load_car(mine), {"feedback": {"deadband_rpm": 33.0}})
    after = saved(car, tmp_path / "tuned.toml", text_of=mine)
    assert "tried on a wet Tuesday" in after
    (tmp_path / "tuned.toml").write_text("no car\n")
    assert "tried on a wet Tuesday" in saved(car, tmp_path / "tuned.toml", text_of=mine)


def test_where_a_number_came_from_goes_with_the_number(tmp_path: Path) -> None:
    car, notes = estimate_car(1300.0, 4)
    path = tmp_path / "new.toml"
    before = saved(car, path, notes=notes)
    area = tuple((x, 1.1 * y) for x, y in car.valve.area_mm2)
    changes: Changes = {
        "feedback": {"deadband_rpm": 41.0}, "engine": {"inertia_kg_m2": 0.2},
        "valve": {"area_mm2": area},
    }  # fmt: skip
    after = saved(with_values(car, changes), path)
    told = [sum(" ".join(t.replace("\n#", "").split()).count(o) for o in ORIGINS)
            for t in (before, after)]  # fmt: skip
    assert told[0] - told[1] == 3
    assert after.count("#") > 0.9 * before.count("#")


def test_uncertainties_come_and_go(mine: Path) -> None:
    car = load_car(mine)
    known = with_values(car, {"uncertainty": {"engine": {"inertia_kg_m2": 0.1}}})
    assert "wet Tuesday" in saved(known, mine)
    assert "wet Tuesday" in saved(car, mine)


def test_another_displacement_leaves_what_was_estimated_from_the_old(mine: Path) -> None:
    car = with_values(load_car(mine), {"engine": {"displacement_cm3": 1350.0}})
    assert "wet Tuesday" in saved(car, mine)


def test_a_bundled_car_is_written_with_every_key_told(tmp_path: Path) -> None:
    car = load_car("trials")
    assert saved(car, tmp_path / "x.toml", text_of="trials") == car_to_toml(car)


@pytest.mark.parametrize("text", ["feedback = {CONTENT}", "feedback.CONTENT"])
def test_odd_ways_to_write_a_table_are_read_back_the_same(mine: Path, text: str) -> None:
    whole = mine.read_text(encoding="utf-8")
    head, _, feedback = whole.partition("[feedback]")
    feedback, _, form = feedback.partition("[entry_form]")
    lines = [line.partition("#")[0].strip() for line in feedback.splitlines()[1:]]
    keys = [line for line in lines if line]
    if text.startswith("feedback ="):
        written = "feedback = {" + ", ".join(keys) + "}"
    else:
        written = "\n".join(f"feedback.{key}" for key in keys)
    mine.write_text(f"{written}\n{head}[entry_form]{form}", encoding="utf-8")
    car = load_car(mine)
    for changes in ({"deadband_rpm": 31.0}, {"deadband_rpm": 32.0, "nudge_steps": 2}):
        saved(with_values(car, {"feedback": changes}), mine)


@given(
    st.dictionaries(
        st.sampled_from(["deadband_rpm", "entry_extra_steps", "aircon_steps", "update_period_ms"]),
        st.floats(1.0, 400.0),
    ),
    st.lists(st.floats(0.0, 80.0), min_size=2, max_size=8),
)
def test_any_change_is_read_back(
    tmp_path_factory: pytest.TempPathFactory, settings: dict[str, float], steps: list[float]
) -> None:
    path = tmp_path_factory.mktemp("any") / "mine.toml"
    path.write_bytes(OWNERS.read_bytes())
    curve = tuple((10.0 * place, value) for place, value in enumerate(steps))
    changes: Changes = {"feedback": settings, "curves": {"base_steps": curve}}
    before = set(comments(path.read_text(encoding="utf-8")))
    after = saved(with_values(load_car(path), changes), path)
    assert before <= set(comments(after))
