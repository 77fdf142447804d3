"""Car files: what is accepted, what is refused, and in which words."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from pydantic import BaseModel, ValidationError

from controllers import Feedback
from sim.car import Car, car_to_toml, cars_folder, load_car, save_car, with_values
from sim.errors import InputError, Problem
from sim.files import bundled_cars

TRIALS = (cars_folder() / "trials.toml").read_text(encoding="utf-8")

MINIMAL = """\
[car]
name = "smallest"
[engine]
displacement_cm3 = 1300
cylinders = 4
inertia_kg_m2 = 0.13
work_per_air_kJ_per_kg = 900
volumetric_efficiency = 0.62
[spark]
base_deg = 12
best_deg = 28
[manifold]
volume_cm3 = 2200
[throttle]
leak_mm2 = 5
open_mm2 = 700
[valve]
area_mm2 = [[0, 0], [30, 5],
  [60, 14]]
travel_steps = 75
useful_travel_steps = 60
open_limit_steps = 70
pulse_ms = 4
rest_ms = 1
homing_steps = 150
[curves]
target_rpm = [[0, 1200], [70, 900]]
base_steps = [
  [0, 50],
  [27, 30],
  [65, 12],
]
cranking_steps = [[0, 60], [70, 30]]
after_start_steps = [[0, 12], [70, 6]]
[feedback]
law = "pi"
gain_steps_per_100rpm = 4
integral_steps_per_100rpm_s = 3
deadband_rpm = 25
min_move_steps = 4
update_period_ms = 100
trim_limit_steps = [-10, 20]
enable_above_target_rpm = 300
"""


def problems_of(text: str, folder: Path) -> list[Problem]:
    path = folder / "car.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputError) as caught:
        load_car(path)
    for problem in caught.value.problems:
        assert problem.file == str(path)
        assert ", allowed: " in problem.message
        assert "\n" not in str(problem)
    return list(caught.value.problems)


def line_of(text: str, start: str) -> int:
    return next(n for n, line in enumerate(text.splitlines(), 1) if line.startswith(start))


@pytest.mark.parametrize("name", bundled_cars())
def test_bundled_cars_load_by_name_and_round_trip(name: str, tmp_path: Path) -> None:
    car = load_car(name)
    save_car(car, tmp_path / "again.toml")
    assert load_car(tmp_path / "again.toml") == car


def test_the_smallest_file_is_filled_in_with_estimates(tmp_path: Path) -> None:
    (tmp_path / "car.toml").write_text(MINIMAL)
    car = load_car(tmp_path / "car.toml")
    assert car.engine.cylinder_balance == (1.0, 1.0, 1.0, 1.0)
    assert car.engine.torque_delay_deg == 270.0
    assert car.thermal.cooling == "water"
    assert 10 < car.thermal.heat_capacity_kJ_per_K < 60
    assert 150 < car.starter.free_rpm < 500
    assert car.loads.lamps_W == 0.0
    assert car.valve.series_mm2 is None


# Each row: the line to replace, its replacement, the key reported, and words of the message.
BAD_LINES = [
    ("pulse_ms = 4", "", "valve.pulse_ms", "missing, allowed: a number from 0.2 to 50 ms"),
    ("law =", "", "feedback.law", 'missing, allowed: "none", "pi"'),
    ('law = "pi"', 'law = "pii"', "feedback.law", 'unknown value ("pii"), allowed: "none", "pi"'),
    ("update_period_ms", "update_period_ms = -100", "feedback.update_period_ms", "too small (-100)"),
    ("inertia_kg_m2", "inertia_kg_m2 = 130", "engine.inertia_kg_m2", "too large (130), allowed:"),
    ("inertia_kg_m2", "inertia_kg_m2 = 0.006", "engine.inertia_kg_m2", "too small for the engine"),
    ("displacement_cm3", "displacement_cm3 = 1.3", "engine.displacement_cm3", "50 to 10000 cm3"),
    ("cylinders", "cylinders = 4.5", "engine.cylinders", "a whole number from 1 to 12"),
    ("cylinders", 'cylinders = "four"', "engine.cylinders", 'wrong kind of value ("four")'),
    ("leak_mm2", "leak_mm2 = nan", "throttle.leak_mm2", "not a finite number (nan)"),
    ("leak_mm2", "leak_mm2 = inf", "throttle.leak_mm2", "(inf), allowed: a number from 0 to 200"),
    ("open_mm2", "open_mm2 = 3000", "throttle.open_mm2", "too large for the engine (3000)"),
    ("leak_mm2", "leek_mm2 = 5\nleak_mm2 = 5", "throttle.leek_mm2", "perhaps leak_mm2"),
    ("volume_cm3", "volume_cm3 = 150", "manifold.volume_cm3", "at least 195 cm3"),
    ("base_deg", "base_deg = -20\nloss_per_deg2 = 1e-3", "spark.base_deg", "60 % of the work"),
    ("useful_travel", "useful_travel_steps = 80", "valve.useful_travel_steps", "travel_steps, 75"),
    ("homing_steps", "homing_steps = true", "valve.homing_steps", "wrong kind of value (true)"),
    ("area_mm2", "area_mm2 = [[5, 0], [30, 5],", "valve.area_mm2[1]", "0 steps there (the seat)"),
    ("area_mm2", "area_mm2 = 5\nx = [", "valve.area_mm2", "a list of 2 to 60 pairs [steps, mm2]"),
    ("  [27, 30]", "  [27, 30, 1],", "curves.base_steps[2]", "2 numbers [degC, steps]"),
    ("  [27, 30]", "  [27, -3],", "curves.base_steps[2][2]", "a number from 0 to 400 steps"),
    ("  [27, 30]", "  [77, 30],", "curves.base_steps[3]", "out of order (65 degC after 77 degC)"),
    ("target_rpm", "target_rpm = [[0, 1200], [0, 900]]", "curves.target_rpm[2]", "out of order"),
    ("target_rpm", "target_rpm = [[0, 1200], [70, 320]]", "curves.target_rpm", "at least 350 rpm"),
    ("trim_limit", "trim_limit_steps = [9, -9]", "feedback.trim_limit_steps", "([9, -9]), allowed"),
    ("trim_limit", "trim_limit_steps = [9]", "feedback.trim_limit_steps[2]", "missing, allowed"),
    ("min_move", "min_move_steps = 0", "feedback.min_move_steps", "too small (0), allowed:"),
    ("name", "name = 5", "car.name", "text of 1 to 80 characters"),
    ("[spark]", "[spork]\nx = 1\n[spark]", "spork", "unknown key"),
]


@pytest.mark.parametrize(("start", "replacement", "key", "words"), BAD_LINES)
def test_a_bad_line_gives_one_problem_on_its_line(
    start: str, replacement: str, key: str, words: str, tmp_path: Path
) -> None:
    number = line_of(MINIMAL, start)
    lines = MINIMAL.splitlines()
    lines[number - 1] = replacement
    found = [p for p in problems_of("\n".join(lines), tmp_path) if p.key == key]
    assert len(found) == 1
    assert words in found[0].message
    if "missing" in words and replacement == "":
        number = line_of(MINIMAL, f"[{key.split('.', maxsplit=1)[0]}]")
    if "out of order (65" in words:
        number += 1
    assert found[0].line == number


def test_a_table_out_of_order_is_placed_on_its_row(tmp_path: Path) -> None:
    text = MINIMAL.replace("[30, 5],\n  [60, 14]]", "[30, 5],\n  [20, 4],\n  [60, 3]]")
    found = problems_of(text, tmp_path)
    rows = [(p.line - line_of(text, "area_mm2"), p.key, p.message.split(",")[0]) for p in found]
    assert rows == [
        (1, "valve.area_mm2[3]", "out of order (20 steps after 30 steps)"),
        (1, "valve.area_mm2[3]", "area falls (4 mm2 after 5 mm2)"),
        (2, "valve.area_mm2[4]", "area falls (3 mm2 after 4 mm2)"),
    ]


def test_a_valve_that_never_opens_is_refused(tmp_path: Path) -> None:
    text = MINIMAL.replace("[30, 5],\n  [60, 14]]", "[30, 0]]")
    assert [p.message for p in problems_of(text, tmp_path)] == [
        "never opens (0 mm2 throughout), allowed: a rising area"
    ]


def test_all_problems_of_a_file_come_together_in_the_order_of_the_file(tmp_path: Path) -> None:
    text = MINIMAL.replace("cylinders = 4", "cylinders = 0").replace("pulse_ms = 4", "pulse = 4")
    text = text.replace("rest_ms = 1", "rest_ms = -1").replace("deadband_rpm = 25", "")
    found = problems_of(text, tmp_path)
    assert [p.key for p in found] == [
        "engine.cylinders",
        "valve.pulse_ms",
        "valve.pulse",
        "valve.rest_ms",
        "feedback.deadband_rpm",
    ]
    assert [p.line for p in found] == sorted(p.line for p in found)


def test_missing_tables_are_each_named(tmp_path: Path) -> None:
    found = problems_of("", tmp_path)
    required = {"car", "engine", "spark", "manifold", "throttle", "valve", "curves", "feedback"}
    assert {p.key for p in found} == required
    assert {p.message for p in found} == {"missing, allowed: a table"}


@pytest.mark.parametrize(
    ("changes", "key"),
    [
        ({"engine": {"cylinders": 10, "cylinder_balance": [1.0] * 10}}, "engine.torque_delay_deg"),
        ({"engine": {"cylinder_balance": [1.0, 1.0]}}, "engine.cylinder_balance"),
        ({"engine": {"cylinder_balance": [0.1] * 4}}, "engine.cylinder_balance"),
        ({"engine": {"friction_bar": [0.5, -0.5, 0.0]}}, "engine.friction_bar"),
        ({"engine": {"friction_bar": [0.9, 0.0, -0.022]}}, "engine.friction_bar"),
        ({"engine": {"friction_bar": [0.2, -0.5, 0.5]}}, "engine.friction_bar"),
        ({"engine": {"volumetric_efficiency_per_1000rpm": -0.2}}, "engine.volumetric_efficiency_per_1000rpm"),
        ({"mixture": {"lambda_base": 1.3, "loss": 8.0}}, "mixture.lambda_base"),
        ({"throttle": {"leak_mm2": 20.0, "open_mm2": 15.0}}, "throttle.open_mm2"),
        ({"electrics": {"full_rpm": 450.0}}, "electrics.full_rpm"),
        ({"starter": {"sag_V_per_Nm": 0.9}}, "starter.sag_V_per_Nm"),
        ({"thermal": {"oil_grade": "butter"}}, "thermal.oil_grade"),
        ({"entry_form": {"sign": 0}}, "entry_form.sign"),
        ({"uncertainty": {"engine": {"frictions": 0.1}}}, "uncertainty.engine.frictions"),
        ({"uncertainty": {"feedback": {"gain": 0.1}}}, "uncertainty.feedback"),
    ],
)
def test_values_that_contradict_each_other(changes: dict[str, Any], key: str) -> None:
    with pytest.raises(InputError) as caught:
        with_values(load_car("trials"), changes)
    assert [p.key for p in caught.value.problems] == [key]


def test_faults_of_a_real_car_are_accepted() -> None:
    """Short homing, a skipping pulse and a limit beyond the stop are for the checks to find."""
    faults = {"homing_steps": 20, "pulse_ms": 1.0, "open_limit_steps": 100}
    car = with_values(load_car("trials"), {"valve": faults})
    assert car.valve.homing_steps == 20


def test_uncertainties_round_trip(tmp_path: Path) -> None:
    spreads = {"engine": {"friction_scale": 0.08}, "valve": {"area_mm2": 0.05}}
    car = with_values(load_car("trials"), {"uncertainty": spreads})
    save_car(car, tmp_path / "car.toml")
    assert load_car(tmp_path / "car.toml").uncertainty == spreads


def test_awkward_text_round_trips(tmp_path: Path) -> None:
    note = 'quote " backslash \\ tab \t newline \n bell \x07 delete \x7f 中文 # = [x]'
    car = with_values(load_car("trials"), {"car": {"note": note}})
    save_car(car, tmp_path / "car.toml")
    assert load_car(tmp_path / "car.toml").car.note == note


def test_every_key_of_a_written_file_has_its_meaning_beside_it() -> None:
    remark = {"throttle.leak_mm2": "estimated from displacement"}
    text = car_to_toml(load_car("trials"), remark)
    lines = text.splitlines()
    leak = next(line for line in lines if line.startswith("leak_mm2"))
    assert "[mm2] effective area" in leak
    assert "estimated from displacement" in leak
    for number, line in enumerate(lines):
        if " = " in line and not line.startswith("#"):
            assert "  # [" in line or lines[number - 1].startswith("# ")
        assert len(line) <= 100 or line.startswith("note = ")


def test_equal_cars_hash_alike_and_cannot_be_changed() -> None:
    one, two = load_car("trials"), load_car("trials")
    assert hash(one) == hash(two)
    changed = with_values(one, {"feedback": {"gain_steps_per_100rpm": 1.25}})
    assert changed != one
    assert one == two
    with pytest.raises(ValidationError, match="frozen"):
        one.engine.cylinders = 6  # type: ignore[misc]


def models_of(model: type[BaseModel]) -> list[type[BaseModel]]:
    inner = [field.annotation for field in model.model_fields.values()]
    return [kind for kind in inner if isinstance(kind, type) and issubclass(kind, BaseModel)]


@pytest.mark.parametrize("model", models_of(Car), ids=lambda model: str(model.__name__))
def test_every_field_has_a_unit_a_meaning_and_two_bounds(model: type[BaseModel]) -> None:
    for name, field in model.model_fields.items():
        if field.annotation in models_of(model):
            continue
        assert field.description is not None, name
        assert field.description.startswith("["), name
        if field.annotation in (int, float):
            bounds = {type(item).__name__ for item in field.metadata}
            assert bounds & {"Ge", "Gt"}, name
            assert bounds & {"Le", "Lt"}, name


def test_feedback_can_be_made_in_python_and_checks_itself() -> None:
    values = load_car("trials").feedback.model_dump()
    assert Feedback(**values) == load_car("trials").feedback
    with pytest.raises(ValidationError, match="low limit above high"):
        Feedback(**{**values, "trim_limit_steps": (5.0, -5.0)})


def test_of_very_many_problems_the_first_are_told_and_the_rest_are_counted(tmp_path: Path) -> None:
    found = problems_of(MINIMAL + "".join(f"[x{number}]\n" for number in range(5000)), tmp_path)
    assert len(found) == 101
    assert found[-1].message == "4900 more problems, allowed: none"
