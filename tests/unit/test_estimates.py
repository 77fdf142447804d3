"""A car estimated from a few facts idles where its owner says it does."""

from __future__ import annotations

from pathlib import Path

import pytest

from sim.car import Car, load_car, save_car
from sim.errors import InputError
from sim.estimates import DEFAULT_BASE, Known, estimate_car
from sim.facts import Curve, base_from_text
from sim.prepare import equilibrium
from sim.toml_text import FROM_BASE, RULE_OF_THUMB

TWIN_BASE: Curve = ((0.0, 46.0), (40.0, 28.0), (100.0, 15.0))
AT_SEAT: Curve = ((0.0, 40.0), (80.0, 0.0))

SIZES = [
    (1300.0, 4, 900.0, DEFAULT_BASE, "water"),
    (600.0, 2, 1000.0, TWIN_BASE, "air"),
    (3000.0, 6, 750.0, DEFAULT_BASE, "water"),
    (500.0, 1, 1200.0, DEFAULT_BASE, "air"),
    (7500.0, 12, 600.0, DEFAULT_BASE, "water"),
    (1300.0, 4, 900.0, AT_SEAT, "water"),
]


def warm_base(car: Car) -> float:
    return car.curves.base_steps[-1][1]


@pytest.mark.parametrize(("size_cm3", "cylinders", "target_rpm", "base", "cooling"), SIZES)
def test_the_warm_base_holds_the_target(
    size_cm3: float, cylinders: int, target_rpm: float, base: Curve, cooling: str
) -> None:
    car, _ = estimate_car(size_cm3, cylinders, target_rpm, base=base, cooling=cooling)
    coolant_degC = max(90.0, base[-1][0])
    settled = equilibrium(car, warm_base(car), coolant_degC)
    assert settled["rpm"] == pytest.approx(target_rpm, rel=0.05)
    # Common practice, no source: a warm engine idles near a third of the outside pressure.
    assert 27.0 < settled["map_kPa"] < 42.0
    one_more = equilibrium(car, warm_base(car) + 1.0, coolant_degC)
    # 5 to 10 rpm a step with a fine valve on 1 to 2 l, twice and more with a coarse one, whose base
    # curve opens little: common practice, no source.
    low, high = (4.5, 11.0) if base is DEFAULT_BASE else (10.0, 25.0)
    assert low < one_more["rpm"] - settled["rpm"] < high


LOW: Curve = ((0.0, 55.0), (40.0, 30.0), (80.0, 20.0))


@pytest.mark.parametrize("travel_steps", [None, 110, 220])
@pytest.mark.parametrize("base", [DEFAULT_BASE, LOW])
def test_feedback_begins_mild_whatever_a_step_is_worth(base: Curve, travel_steps: int | None) -> None:
    car, _ = estimate_car(1500.0, 4, base=base, known=Known(travel_steps=travel_steps))
    settled, one_more = (equilibrium(car, warm_base(car) + more, 90.0)["rpm"] for more in (0.0, 1.0))
    answered = car.feedback.gain_steps_per_rpm * (one_more - settled)
    assert 0.25 < answered < 0.45, "a good third of an error"
    opened = equilibrium(car, warm_base(car) + car.feedback.trim_limit_steps[1], 90.0)["rpm"]
    assert opened - settled <= 310.0, "trim alone does not race it, though a step farther open is worth more"


@pytest.mark.parametrize(("size_cm3", "cylinders", "target_rpm", "base", "cooling"), SIZES[:3])
def test_the_cold_base_holds_about_the_cold_target(
    size_cm3: float, cylinders: int, target_rpm: float, base: Curve, cooling: str
) -> None:
    car, _ = estimate_car(size_cm3, cylinders, target_rpm, base=base, cooling=cooling)
    settled = equilibrium(car, car.curves.base_steps[0][1], 0.0)
    cold_rpm = car.curves.target_rpm[0][1]
    assert settled["rpm"] == pytest.approx(cold_rpm, rel=0.1)


def test_a_new_file_loads_and_says_what_is_estimated(tmp_path: Path) -> None:
    base = base_from_text("0:50, 30:30, 80:12")
    estimated, notes = estimate_car(1300.0, 4, 880.0, 3.5, 1.5, base, name="x")
    save_car(estimated, tmp_path / "car.toml", notes)
    text = (tmp_path / "car.toml").read_text(encoding="utf-8")
    car = load_car(tmp_path / "car.toml")
    assert car.name == "x"
    assert (car.valve.pulse_ms, car.valve.rest_ms) == (3.5, 1.5)
    assert car.curves.base_steps == ((0.0, 50.0), (30.0, 30.0), (80.0, 12.0))
    assert car.curves.target_rpm[-1][1] == 880.0
    flowing = " ".join(text.replace("\n#", "").split())
    assert flowing.count(RULE_OF_THUMB) == 10
    assert flowing.count(FROM_BASE) == 2


def test_every_note_is_on_a_key_of_the_car() -> None:
    car, notes = estimate_car(1300.0, 4)
    for path in notes:
        table, key = path.split(".")
        assert key in type(getattr(car, table)).model_fields, path


def test_cranking_asks_for_more_air_than_running() -> None:
    """20 to 30 steps at the least: common practice, no source."""
    car, _ = estimate_car(1300.0, 4)
    for (_, base), (_, cranking) in zip(car.curves.base_steps, car.curves.cranking_steps, strict=True):
        assert base + 20.0 <= cranking <= car.valve.open_limit_steps


@pytest.mark.parametrize(
    ("text", "key"), [("", "pair 1"), ("30", "pair 1"), ("0:50,warm:12", "pair 2"), ("0:50,,80:12", "pair 2")]
)
def test_a_base_curve_that_is_none(text: str, key: str) -> None:
    with pytest.raises(InputError, match="not a pair") as caught:
        base_from_text(text)
    assert caught.value.problems[0].key == key


@pytest.mark.parametrize(
    ("facts", "key"),
    [
        ((20.0, 4), "engine.displacement_cm3"),
        ((1300.0, 0), "engine.cylinders"),
        ((1300.0, 4, 100.0), "curves.target_rpm[5][2]"),
        ((1300.0, 4, 900.0, -4.0), "valve.pulse_ms"),
        ((1300.0, 4, 900.0, 4.0, 1.0, ((0.0, 50.0),)), "curves.base_steps"),
        ((1300.0, 4, 900.0, 4.0, 1.0, ((80.0, 12.0), (0.0, 50.0))), "curves.base_steps[2]"),
    ],
)
def test_facts_out_of_range_are_named(facts: tuple[float, ...], key: str) -> None:
    with pytest.raises(InputError, match="allowed:") as caught:
        estimate_car(*facts)  # type: ignore[arg-type]
    assert key in [problem.key for problem in caught.value.problems]
