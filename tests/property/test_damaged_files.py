"""Whatever is done to a file, it is read, or refused in plain words with a line."""

from __future__ import annotations

import math
import string
import tempfile
import tomllib
from pathlib import Path
from typing import Any

import tomlkit
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from sim.car import Car, car_to_toml, cars_folder, load_car, with_values
from sim.errors import InputError, Problem
from sim.files import bundled_folder
from sim.key_lines import key_lines
from sim.scenario import load_scenario

CAR_TEXT = (cars_folder() / "trials.toml").read_text(encoding="utf-8")
SCENARIO_TEXT = (bundled_folder() / "everything_on.toml").read_text(encoding="utf-8")

NUMBERS = [
    (table, key, {type(m).__name__: m for m in field.metadata}, field.annotation)
    for table in Car.model_fields
    if hasattr(Car.model_fields[table].annotation, "model_fields")
    for key, field in Car.model_fields[table].annotation.model_fields.items()  # type: ignore[union-attr]
    if field.annotation in (int, float)
]


@st.composite
def changes(draw: st.DrawFn) -> dict[str, dict[str, object]]:
    """Some numbers of a car, anywhere within their own bounds."""
    chosen: dict[str, dict[str, object]] = {}
    rows = draw(st.lists(st.sampled_from(NUMBERS), min_size=1, max_size=6))
    for table, key, bounds, kind in rows:
        low = getattr(bounds.get("Ge") or bounds.get("Gt"), "ge" if "Ge" in bounds else "gt")
        high = bounds["Le"].le
        if kind is int:
            value: object = draw(st.integers(math.ceil(low), math.floor(high)))
        else:
            value = draw(st.floats(low, high, exclude_min="Gt" in bounds))
        chosen.setdefault(table, {})[key] = value
    return chosen


@settings(max_examples=150, suppress_health_check=[HealthCheck.filter_too_much])
@given(changes())
def test_any_accepted_car_round_trips(chosen: dict[str, dict[str, object]]) -> None:
    try:
        car = with_values(load_car("trials"), chosen)
    except InputError:
        assume(False)
    again = Car.model_validate(tomllib.loads(car_to_toml(car)))
    assert again == car
    assert car_to_toml(again) == car_to_toml(car)


PIECES = [*"\n[]=\"'#,{}-", "1e999", "nan", "9" * 50, '"a\\nb" = 1\n']


@st.composite
def damaged(draw: st.DrawFn, text: str) -> bytes:
    """A file after an accident: cut, torn, scrambled, retyped or with a value changed."""
    content = bytearray(text.encode())
    for _ in range(draw(st.integers(1, 4))):
        where = draw(st.integers(0, len(content)))
        length = draw(st.integers(0, 40))
        accident = draw(st.integers(0, 4))
        if accident == 0:
            content[where : where + length] = draw(st.binary(max_size=6))
        elif accident == 1:
            content = content[: max(1, where)]
        elif accident == 2:
            content[where:where] = content[where : where + length]
        elif accident == 3:
            pieces = ["\n", "[", "]", "=", '"', "'", "#", ",", "{", "}", "1e999", "-", "nan", "9" * 50]
            content[where : where + length] = draw(st.sampled_from(pieces)).encode()
        else:
            lines = bytes(content).split(b"\n")
            row = draw(st.integers(0, len(lines) - 1))
            value = draw(st.sampled_from(["-1", "1e300", "true", "[]", '""', "{}", "[[1,2],[0]]"]))
            lines[row] = lines[row].split(b"=")[0] + b"= " + value.encode()
            content = bytearray(b"\n".join(lines))
    return bytes(content)


def read_or_refused(content: bytes, load: Any) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "damaged.toml"
        path.write_bytes(content)
        problems: tuple[Problem, ...] = ()
        try:
            load(path)
            return
        except InputError as error:
            problems = error.problems
    assert problems
    for problem in problems:
        assert problem.file == str(path)
        assert 1 <= problem.line <= content.count(b"\n") + 1
        assert problem.key
        assert ", allowed: " in problem.message
        assert len(str(problem).splitlines()) == 1


@settings(max_examples=250, deadline=None)
@given(damaged(CAR_TEXT))
def test_a_damaged_car_file_is_read_or_refused(content: bytes) -> None:
    read_or_refused(content, load_car)


@settings(max_examples=150, deadline=None)
@given(damaged(SCENARIO_TEXT))
def test_a_damaged_scenario_file_is_read_or_refused(content: bytes) -> None:
    read_or_refused(content, load_scenario)


KEYS = st.text(string.ascii_letters + string.digits + " .-_'\"\\#[]=äß", min_size=1, max_size=8)
SCALARS = st.one_of(
    st.integers(-(2**63), 2**63 - 1),
    st.floats(allow_nan=False, allow_infinity=False),
    st.booleans(),
    st.text(string.printable + "äß😀", max_size=20),
    st.datetimes(),
)
VALUES = st.recursive(
    SCALARS,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(KEYS, inner, max_size=4),
    max_leaves=12,
)


def paths_of(value: object, path: tuple[str | int, ...] = ()) -> set[tuple[str | int, ...]]:
    found = {path}
    if isinstance(value, dict):
        for key, inner in value.items():
            found |= paths_of(inner, (*path, key))
    elif isinstance(value, list):
        for index, inner in enumerate(value):
            found |= paths_of(inner, (*path, index))
    return found


@settings(max_examples=150, deadline=None)
@given(st.dictionaries(KEYS, VALUES, max_size=5))
def test_every_key_of_any_document_is_found(document: dict[str, object]) -> None:
    """tomlkit writes the document, tomllib says what is in it, the scanner must find it all."""
    text = tomlkit.dumps(document)
    try:
        values = tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        assume(False)  # tomlkit has written what TOML 1.0 does not allow
    lines = key_lines(text)
    assert set(lines) == paths_of(values)
    assert all(1 <= line <= text.count("\n") + 1 for line in lines.values())
