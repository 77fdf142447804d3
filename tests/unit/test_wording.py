"""Notes and the sentences made of them."""

from __future__ import annotations

import ast
import json
import math
import re

import pytest

from tests.source_tree import parsed, shown, source_files
from tuning.notes import Note
from workbench.words import wording
from workbench.words.wording import SENTENCES, filled, in_words, unit_at_end, worded


@pytest.mark.parametrize(
    ("template", "metric", "imperial"),
    [
        ("{oil_degC:.0f}", "20 °C", "68 °F"),
        ("{oil_degC!n:.0f} of it", "20 of it", "68 of it"),
        ("{rise_K:+.0f}", "+10 K", "+18 °F"),
        ("{map_kPa:.1f}", "33.9 kPa", "10.0 inHg"),
        ("{left_steps:.0f} and {one_steps:.0f}", "3 steps and 1 step", "3 steps and 1 step"),
        ("{spark_deg:.0f}", "12°", "12°"),
        ("{small_rpm:.0f}", "0 rpm", "0 rpm"),
        ("{law} with {gain_steps_per_100rpm}", *2 * ("pi with 2.5 steps per 100 rpm",)),
    ],
)
def test_quantities_are_written_with_their_units(template: str, metric: str, imperial: str) -> None:
    values = {
        "oil_degC": 20.0, "rise_K": 10.0, "map_kPa": 33.864, "left_steps": 3.0, "one_steps": 1.0,
        "spark_deg": 12.0, "small_rpm": -0.3, "law": "pi", "gain_steps_per_100rpm": 2.5,
    }  # fmt: skip
    assert filled(template, values) == metric
    assert filled(template, values, imperial=True) == imperial


def test_a_unit_is_the_longest_end_of_a_name() -> None:
    assert unit_at_end("gain_steps_per_100rpm") == "steps_per_100rpm"
    assert unit_at_end("error_rpm") == "rpm"
    assert unit_at_end("rpm") == "rpm"
    assert unit_at_end("reasons") == ""


def test_notes_within_notes_and_plain_forms(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(wording, "SENTENCES", {"t.outer": "because {why}", "t.inner": "{x_rpm:.0f} too low"})
    note = Note("t.outer", why=(Note("t.inner", x_rpm=3.2), Note("t.inner", x_rpm=math.inf)))
    assert in_words(note) == "because 3 rpm too low, inf rpm too low"
    plain = json.loads(json.dumps({"verdict": [note.to_dict()]}))
    assert worded(plain) == {"verdict": ["because 3 rpm too low, nan rpm too low"]}
    assert worded([note])[0] == in_words(note)


def codes_of_check(call: ast.Call) -> set[str]:
    """Codes that one call of ``tuning.checks.lines.line`` makes notes of."""
    name, *_, value = call.args[:5]
    assert isinstance(name, ast.Constant), ast.unparse(call)
    parts = ["", ".why"]
    parts += [".value"] if isinstance(value, ast.Dict) else []
    parts += [".do"] if len(call.args) < 6 or isinstance(call.args[5], ast.Dict) else []
    return {f"checks.{name.value!s}{part}" for part in parts}


def test_every_code_has_a_sentence_and_every_sentence_a_code() -> None:
    made = set()
    for path in source_files("tuning"):
        for node in ast.walk(parsed(path)):
            if not isinstance(node, ast.Call):
                continue
            called = ast.unparse(node.func)
            if called == "line" and shown(path).startswith("tuning/checks/"):
                made |= codes_of_check(node)
            elif called == "Note" and shown(path) != "tuning/checks/lines.py":
                assert isinstance(node.args[0], ast.Constant), f"{shown(path)}:{node.lineno}"
                made.add(str(node.args[0].value))
    assert made == set(SENTENCES)
    assert all(re.fullmatch(r"[a-z_]+(\.[a-z_0-9]+)+", code) for code in made)
