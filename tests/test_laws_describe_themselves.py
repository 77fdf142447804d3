"""A law is told by its own file: nothing else asks for a law by its name."""

from __future__ import annotations

import ast
from pathlib import Path
from typing import get_args

import pytest

from controllers import LAWS, Feedback, law_of
from controllers.settings import Law as LawName
from tests.source_tree import ROOT, parsed, shown, source_files

HOMES = ("controllers/", "workbench/words/laws.py")
"""Where a law's name may stand: its own file and the register, and its words for people."""


OFF = "none"
"""Also a word of logs: looked for only where something called a law is compared with it."""


def names_asked_for(tree: ast.AST) -> list[int]:
    """Lines that compare something with a law's name, or hold a table or list of laws by name."""
    lines, names = [], set(LAWS) - {OFF}
    for node in ast.walk(tree):
        if isinstance(node, ast.Compare):
            parts = [node.left, *node.comparators]
            if "law" in ast.unparse(node) and f"'{OFF}'" in ast.unparse(node):
                lines.append(node.lineno)
        elif isinstance(node, ast.Dict):
            parts = [key for key in node.keys if key is not None]
        elif isinstance(node, ast.Tuple | ast.List | ast.Set):
            parts = node.elts if len(node.elts) > 1 else []
        else:
            continue
        flat = [leaf for part in parts for leaf in ast.walk(part)]
        if any(isinstance(leaf, ast.Constant) and leaf.value in names for leaf in flat):
            lines.append(node.lineno)
    return lines


def told_elsewhere(path: Path) -> list[str]:
    """Places outside the homes of laws that ask for one by name."""
    name = shown(path)
    if name.startswith(HOMES):
        return []
    return [f"{name}:{line}" for line in names_asked_for(parsed(path))]


def test_no_other_file_asks_for_a_law_by_its_name() -> None:
    found = [
        line
        for path in source_files("controllers", "sim", "tuning", "workbench")
        for line in told_elsewhere(path)
    ]
    assert not found, "\n".join(found)


@pytest.mark.parametrize(
    ("source", "count"),
    [
        ('if feedback.law == "nudge": pass', 1),
        ('if law in ("pi", "pid"): pass', 2),
        ('TABLE = {"pi_park": 1}', 1),
        ('if feedback.law != "none": pass', 1),
        ('if text in ("none", "-"): pass', 0),
        ("if law.has_gains: pass", 0),
    ],
)
def test_a_law_asked_for_by_name_is_seen(source: str, count: int) -> None:
    assert len(names_asked_for(ast.parse(source))) == count


def test_each_law_has_its_file_and_its_file_its_law() -> None:
    files = {path.stem.removeprefix("law_") for path in (ROOT / "controllers").glob("law_*.py")}
    assert set(LAWS) == set(get_args(LawName)) == files
    assert all(name == law.name for name, law in LAWS.items())


@pytest.mark.parametrize("name", sorted(LAWS))
def test_what_a_law_tells_of_itself_are_settings_that_it_has(name: str) -> None:
    law, fields = LAWS[name], Feedback.model_fields
    assert set(law.searched) <= set(law.settings) <= set(fields)
    given = Feedback(
        law=name, gain_steps_per_100rpm=4.0, integral_steps_per_100rpm_s=3.0, deadband_rpm=20.0,
        min_move_steps=3, update_period_ms=200.0, trim_limit_steps=(-9.0, 9.0),
        enable_above_target_rpm=300.0, derivative_steps_s_per_100rpm=1.0, nudge_steps=2,
    )  # fmt: skip
    assert law_of(given) is law
    eased = given.model_copy(update=law.eased(given, 0.5))
    assert law.linear(eased) == pytest.approx([0.5 * gain for gain in law.linear(given)])
    assert law.resting_band_rpm(given) >= given.deadband_rpm
    assert law.tread_steps(given) >= given.min_move_steps
    assert set(law.finer(given, 4)) <= set(fields)
