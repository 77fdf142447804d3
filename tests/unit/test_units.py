"""Sentences in the units shown: every number of ours, and nothing else, is turned."""

from __future__ import annotations

import pytest

from sim import load_car, load_scenario, with_values
from sim.errors import InputError
from workbench.words.units import in_words, rounded

# By hand throughout: degF = 1.8 degC + 32; 1 inHg = 3.386389 kPa (BS 350).


@pytest.mark.parametrize(
    ("told", "metric", "imperial"),
    [
        ("start at minus 20 degC", "start at minus 20 °C", "start at -4 °F"),
        ("from minus 10 to 20 degC", "from minus 10 to 20 °C", "from 14 to 68 °F"),
        ("terminus 20 degC", "terminus 20 °C", "terminus 68 °F"),
        ("cylinder head 44 degC at", "cylinder head 44 °C at", "cylinder head 111 °F at"),
        ("90 degC 12.0, 90degC", "90 °C 12.0, 90°C", "194 °F 12.0, 194 °F"),
        ("it is +10 degC", "it is +10 °C", "it is +18 °F"),
        ("33.9 kPa", "33.9 kPa", "10.01 inHg"),
        ("after -6.66667 degC", "after -6.66667 °C", "after 20 °F"),
    ],
)
def test_numbers_and_their_units_are_turned(told: str, metric: str, imperial: str) -> None:
    assert in_words(told, imperial=False) == metric
    assert in_words(told, imperial=True) == imperial


@pytest.mark.parametrize(
    "told", ["coolant_degC", "temp3_degC 4", "in degC", "temperature [degC]", "5 degCx", "kPa", "degC"]
)
@pytest.mark.parametrize("imperial", [False, True])
def test_names_and_the_units_of_columns_are_left_alone(told: str, imperial: bool) -> None:
    assert in_words(told, imperial) == told


def test_a_list_is_turned_as_a_whole_or_not_at_all() -> None:
    refused = "too short ([[80, 6]]), allowed: a list of 2 to 40 pairs [degC, steps]"
    assert in_words(refused, imperial=False) == refused
    turned = "too short ([[176, 6]]), allowed: a list of 2 to 40 pairs [°F, steps]"
    assert in_words(refused, imperial=True) == turned
    other = "too short ([[80, 6]]), allowed: a list of 2 to 40 pairs [steps, mm2]"
    assert in_words(other, imperial=True) == other


def test_a_refused_value_is_told_in_the_unit_of_what_is_allowed() -> None:
    told = "too large (2760), allowed: a number from -60 to 200 degC"
    turned = "too large (5000), allowed: a number from -76 to 392 °F"
    assert in_words(told, imperial=True) == turned
    for other in ("too large (900), allowed: a number from 0 to 400 steps", "it (80) is 20 rpm"):
        assert in_words(other, imperial=True) == other


@pytest.mark.parametrize("imperial", [False, True])
def test_the_bundled_starts_are_told_as_cold_as_they_are(imperial: bool) -> None:
    told = {
        degC: in_words(load_scenario(name).name, imperial)
        for name, degC in (("cold_start_m20", -20), ("cold_start_m10", -10), ("cold_start_0", 0))
    }
    shown = {-20: "-4 °F", -10: "14 °F", 0: "32 °F"}
    if not imperial:
        shown = {-20: "minus 20 °C", -10: "minus 10 °C", 0: "0 °C"}
    assert all(told[degC].endswith(f" at {text}") for degC, text in shown.items())


def test_a_refused_curve_is_told_in_one_unit() -> None:
    curve = {"base_steps": [(80.0, 20.0), (70.0, 10.0)]}
    with pytest.raises(InputError) as refused:
        with_values(load_car("trials"), {"curves": curve})
    told = in_words(str(refused.value), imperial=True)
    assert "out of order (158 °F after 176 °F)" in told
    assert "degC" not in told


def test_a_little_below_nought_is_nought() -> None:
    assert in_words("at -18 degC", imperial=True) == "at 0 °F"
    assert rounded(-0.04, 1) == "0.0"
