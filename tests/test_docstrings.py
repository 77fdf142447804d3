"""Public names say what they take, give, raise and mean, in which unit, and from which source."""

from __future__ import annotations

import ast
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tests.docstring_rules import (
    class_problems,
    decorators,
    function_problems,
    relation_problems,
    result_problems,
    summary_problems,
    unit_brackets,
    unit_problems,
)
from tests.source_tree import ROOT, FunctionNode, functions, parsed, shown, source_files

DOCUMENTED = ("controllers", "sim", "tuning", "workbench")
PHYSICS = ("air", "combustion", "crank", "manifold", "sensors", "thermal", "valve")
"""The files of sim/ that hold the relations of the model."""


def public(body: list[ast.stmt], with_methods: bool = True) -> Iterator[FunctionNode | ast.ClassDef]:
    """Functions and classes of a module, and methods of its classes, without underscore."""
    for node in body:
        if isinstance(node, FunctionNode | ast.ClassDef) and not node.name.startswith("_"):
            yield node
            if with_methods and isinstance(node, ast.ClassDef):
                yield from public(node.body)


def handed_on(path: Path) -> set[str]:
    """Names of a file that its package, or the package above, lists in ``__all__``."""
    names: set[str] = set()
    for init in {path.parent / "__init__.py", ROOT / path.relative_to(ROOT).parts[0] / "__init__.py"}:
        for node in parsed(init).body:
            if isinstance(node, ast.Assign) and ast.unparse(node.targets[0]) == "__all__":
                names |= set(ast.literal_eval(node.value))
    return names


def problems_of(path: Path) -> list[str]:
    """Everything that the docstrings of one file lack, one line each.

    What a package hands on is described in full.  For the rest a sentence does, with the unit of
    what it gives where its name has none.
    """
    tree = parsed(path)
    found = [f"{shown(path)}:1: {p}" for p in summary_problems(ast.get_docstring(tree))]
    in_full = handed_on(path)
    lines = path.read_text(encoding="utf-8").splitlines()
    commented = {number for number, line in enumerate(lines, start=1) if "  # " in line}
    for outer in public(tree.body, with_methods=False):
        for node in (outer, *(public(outer.body) if isinstance(outer, ast.ClassDef) else ())):
            if outer.name not in in_full:
                own = [*summary_problems(ast.get_docstring(node)), *result_problems(node)]
            elif isinstance(node, ast.ClassDef):
                own = class_problems(node, commented)
            else:
                own = function_problems(node)
            found += [f"{shown(path)}:{node.lineno}: {node.name}: {p}" for p in own]
    return found


@pytest.mark.parametrize("package", DOCUMENTED)
def test_public_names_are_documented(package: str) -> None:
    problems = [p for path in source_files(package) for p in problems_of(path)]
    assert not problems, "\n" + "\n".join(problems)


@pytest.mark.parametrize("subject", PHYSICS)
def test_relations_have_units_and_sources(subject: str) -> None:
    path = ROOT / "sim" / f"{subject}.py"
    relations = [node for node in functions(parsed(path)) if decorators(node) & {"relation", "compiled"}]
    assert relations, f"{shown(path)} has no compiled relation"
    problems = [
        f"{shown(path)}:{node.lineno}: {node.name}: {p}"
        for node in relations
        for p in relation_problems(node)
    ]
    assert not problems, "\n" + "\n".join(problems)


GOOD = '''
@relation
def flow(area_m2: float, map_Pa: float, share: float, c: Block) -> float:
    """Flow through an opening.

    Parameters
    ----------
    area_m2, map_Pa : float
        Opening and pressure, 0 or more [m2, Pa].
    share : float
        How far it is open, 0 to 1 [-].
    c : Block
        Settings.

    Returns
    -------
    float
        Mass flow [kg/s].

    Raises
    ------
    ValueError
        If the area is negative.

    Notes
    -----
    Source: A. Author, A Title (1999), ch. 2.
    """
    if area_m2 < 0:
        raise ValueError(area_m2)
    return area_m2 * map_Pa * share
'''


def one_function(source: str) -> FunctionNode:
    """The only function of a source text."""
    (node,) = functions(ast.parse(source))
    return node


def test_a_well_documented_relation_is_let_pass() -> None:
    assert relation_problems(one_function(GOOD)) == []


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("through an opening.", "through an opening", "its first sentence has no end"),
        ("[m2, Pa]", "[m2, kPa]", "map_Pa: its description lacks [Pa]"),
        ("[m2, Pa]", "", "area_m2: its description lacks [m2]"),
        ("[m2, Pa]", "[m2, furlongs, Pa]", "area_m2: no unit in square brackets"),
        ("0 to 1 [-]", "[0, 1]", "share: no unit in square brackets"),
        ("    share :", "    portion :", "portion: described, but no argument"),
        ("    share :", "    portion :", "share: not described under Parameters"),
        ("    Returns\n", "    Gives\n", "no section Returns"),
        ("[kg/s]", "", "Returns: no unit in square brackets"),
        ("    ValueError\n", "    TypeError\n", "raises ValueError, not told under Raises"),
        ("    Source: A. Author, A Title (1999), ch. 2.", "", "no 'Source: ...'"),
        ("    Source: A. Author, A Title (1999), ch. 2.", "    Source: x", "no 'Source: ...'"),
    ],
)
def test_a_gap_is_seen(old: str, new: str, told: str) -> None:
    assert old in GOOD
    problems = relation_problems(one_function(GOOD.replace(old, new)))
    assert any(told in p for p in problems), problems


NO_UNIT = "gives a number without a unit in its name or in square brackets"


@pytest.mark.parametrize(
    ("source", "told"),
    [
        ("def swing(self) -> float:", [NO_UNIT]),
        ("def swing(car: Car, at_rpm: float) -> float:", [NO_UNIT]),
        ("def swing_rpm(car: Car, at_rpm: float) -> float:", []),
        ("def lines(logs: Sequence[Log], quick: bool = False) -> Sum:", []),
        (
            "def lines(self, last: int) -> Sum:",
            ["last: not described under Parameters", "no section Returns"],
        ),
        ("def lines(self, log: Any) -> Sum:", ["log: not described under Parameters", "no section Returns"]),
    ],
)
def test_sentences_do_where_arguments_tell_themselves(source: str, told: list[str]) -> None:
    one = one_function(f'{source}\n    """Tell it."""\n    return 1')
    assert function_problems(one) == told
    assert "no section Returns" in relation_problems(one)


def test_undescribed_fields_of_a_record_are_seen() -> None:
    source = '@dataclass(frozen=True)\nclass Dip:\n    """How deep."""\n    depth: float\n    at_rpm: float\n'
    (node,) = ast.parse(source).body
    assert isinstance(node, ast.ClassDef)
    assert class_problems(node) == ["depth: not described under Attributes"]
    assert class_problems(node, {4}) == [], "a comment beside it does"


@pytest.mark.parametrize(
    ("name", "bracket", "agrees"),
    [
        ("speed_rad_s", "rad/s", True),
        ("speed_rad_s", "rpm", False),
        ("map_Pa", "kPa", False),
        ("valve_step_s", "s", True),
        ("rise_W_s_per_rad", "W s/rad", True),
        ("pressure_rate_per_Pa", "1/s", True),
        ("pressure_rate_per_Pa", "low, high", False),
        ("gain_steps_per_100rpm", "steps per 100 rpm", True),
        ("from_s", "rpm, s", True),
        ("target_rpm", "steps or rpm", True),
        ("rpm_min", "low, high", True),  # a lowest value, not a minute
        ("ratio", "low, high", True),
        ("s", "low, high", True),
        ("lambda_", "low, high", True),
    ],
)
def test_the_unit_of_a_name_is_compared(name: str, bracket: str, agrees: bool) -> None:
    assert (unit_problems(name, f"Something [{bracket}].") == []) is agrees


@pytest.mark.parametrize(
    ("text", "brackets"),
    [
        ("Pressure [Pa].", ["Pa"]),
        ("Scale [kg/(s m2)].", ["kg/(s m2)"]),
        ("Trim [steps per 100 rpm and second]", ["steps per 100 rpm and second"]),
        ("From [low, high] [steps]", ["steps"]),
        ("Share [-], table [feedback], range [0, 1].", ["-"]),
    ],
)
def test_units_are_told_from_other_brackets(text: str, brackets: list[str]) -> None:
    assert unit_brackets(text) == brackets


def test_every_rule_is_reached() -> None:
    rules: list[Callable[..., list[str]]] = [class_problems, function_problems, relation_problems]
    bare = "def f(a_s):\n    return a_s\n\nclass C:\n    pass\n"
    function, record = ast.parse(bare).body
    assert [rule(n) for rule, n in zip(rules, [record, function, function], strict=True)] == [
        ["has no docstring"],
        ["has no docstring"],
        ["has no docstring", "no 'Source: ...', no References, no 'common practice, no source'"],
    ]
