"""Scenario files: what is accepted, what is refused, and in which words."""

from __future__ import annotations

from pathlib import Path
from typing import get_args

import pytest

from sim.errors import InputError
from sim.files import bundled_scenarios
from sim.scenario import EVENT_RANGES, EventName, load_scenario

SMALL = """\
name = "two lamps"
duration_s = 30

[[measure]]
what = "load"
from_s = 5
to_s = 25

[[event]]
at_s = 20
set = "lamps"
to = 0

[[event]]
at_s = 10
set = "lamps"

[[event]]
at_s = 10
set = "fan"
"""


def loaded_problems(text: str, folder: Path) -> list[tuple[int, str, str]]:
    path = folder / "scenario.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputError) as caught:
        load_scenario(path)
    return [(p.line, p.key, p.message) for p in caught.value.problems]


@pytest.mark.parametrize("name", bundled_scenarios())
def test_bundled_scenarios_load_by_name(name: str) -> None:
    scenario = load_scenario(name)
    assert scenario.measure
    assert scenario.note


def test_events_come_in_order_of_time_then_of_the_file(tmp_path: Path) -> None:
    path = tmp_path / "scenario.toml"
    path.write_text(SMALL)
    scenario = load_scenario(path)
    assert [(e.at_s, e.set, e.number) for e in scenario.event] == [
        (10.0, "lamps", 1.0),
        (10.0, "fan", 1.0),
        (20.0, "lamps", 0.0),
    ]


def test_every_event_but_the_key_has_a_range() -> None:
    assert set(get_args(EventName)) == {*EVENT_RANGES, "key"}


@pytest.mark.parametrize(
    ("old", "new", "line", "key", "words"),
    [
        ("at_s = 20", "at_s = 40", 10, "event[1].at_s", "after the end of the run (40)"),
        ("at_s = 20", "at_s = -1", 10, "event[1].at_s", "too small (-1), allowed: a number from"),
        ("at_s = 20", "", 9, "event[1].at_s", "missing, allowed: a number from 0 to 3600 s"),
        ('set = "fan"', 'set = "fans"', 20, "event[3].set", 'unknown value ("fans"), allowed:'),
        ("to = 0", "to = 7", 12, "event[1].to", "out of range (7), allowed: a number from 0 to 3"),
        ("to = 0", "to = true", 12, "event[1].to", "wrong kind of value (true)"),
        ("to = 0", 'to = "on"', 12, "event[1].to", "a number from 0 to 3 for lamps"),
        ("to = 0", "to = [0]", 12, "event[1].to", "wrong kind of value ([0])"),
        ("to_s = 25", "to_s = 35", 7, "measure[1].to_s", "up to duration_s, 30 s"),
        ("to_s = 25", "to_s = 2", 7, "measure[1].to_s", "not after from_s (2), allowed: above 5"),
        ('what = "load"', 'what = "dip"', 5, "measure[1].what", '"hunting", "load", "blip"'),
        ("duration_s = 30", "", 1, "duration_s", "missing, allowed: a number from 1 to 3600 s"),
        ('name = "two lamps"', 'start = "idle"', 1, "name", "missing, allowed: text of 1 to 80"),
    ],
)
def test_a_bad_line_gives_one_problem_on_its_line(
    old: str, new: str, line: int, key: str, words: str, tmp_path: Path
) -> None:
    found = loaded_problems(SMALL.replace(old, new, 1), tmp_path)
    assert len(found) == 1
    assert found[0][:2] == (line, key)
    assert words in found[0][2]


@pytest.mark.parametrize(
    ("event", "words"),
    [
        ('set = "key"\nto = "start"', 'no position of the key ("start"), allowed: off, on, crank'),
        ('set = "key"', "no position of the key (1)"),
        ('set = "valve_sticks"\nto = 0.5', "not whole (0.5), allowed: 0 or 1"),
        ('set = "lost_steps"\nto = 1.5', "a whole number from -400 to 400 for lost_steps"),
        ('set = "home"\nto = 0', "out of range (0), allowed: 1, or leave it out"),
        ('set = "lamps"\nto = inf', "wrong kind of value (inf)"),
    ],
)
def test_values_are_checked_against_what_is_set(event: str, words: str, tmp_path: Path) -> None:
    found = loaded_problems(f"{SMALL}\n[[event]]\nat_s = 1\n{event}\n", tmp_path)
    assert len(found) == 1
    assert words in found[0][2]


def test_the_key_has_numbers_for_compiled_code(tmp_path: Path) -> None:
    path = tmp_path / "scenario.toml"
    turns = "".join(
        f'[[event]]\nat_s = {at}\nset = "key"\nto = "{to}"\n'
        for at, to in ((3, "crank"), (1, "off"), (2, "on"))
    )
    path.write_text(SMALL + turns)
    keys = [event.number for event in load_scenario(path).event if event.set == "key"]
    assert keys == [0.0, 1.0, 2.0]
