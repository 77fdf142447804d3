"""Mutation testing of the physics and the shell: ``python -m tests.mutants [FILES...]``.

One small change at a time to a relation, a law or the shell (a sign, a comparison, a number, a line left
out), then the fast tests of its file with the compiler off; a change that no test notices survives and is
listed. Each runs in a process of its own, forked from one that has the libraries loaded.
"""

from __future__ import annotations

import ast
import copy
import importlib
import os
import signal
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from functools import partial
from importlib.machinery import SourceFileLoader
from pathlib import Path
from types import CodeType
from typing import Any

from tests.quick_records import read_fields_first
from tests.source_tree import PACKAGES, ROOT, functions, module_name

HAND = "tests/unit/test_relations.py"
SHELL = ["tests/unit/test_shell.py", "tests/unit/test_laws.py"]
TESTS = {
    "sim/air.py": ["tests/published/test_air.py", HAND],
    "sim/manifold.py": [HAND],
    "sim/combustion.py": [HAND],
    "sim/crank.py": [HAND, "tests/unit/test_alternator.py"],
    "sim/thermal.py": ["tests/published/test_oil.py", HAND,
                       "tests/unit/test_warm_up.py::test_heat_balances_by_hand"],
    "sim/valve.py": ["tests/published/test_coil.py", "tests/unit/test_valve.py::test_needed_pulse",
                     "tests/unit/test_valve.py::test_steps_lost_by_pulse",
                     "tests/unit/test_valve.py::test_backlash_is_the_play_operator",
                     "tests/unit/test_valve.py::test_area_follows_the_table_and_never_falls", HAND],
    "sim/sensors.py": [HAND, "tests/unit/test_warm_up.py::test_heat_balances_by_hand"],
    "controllers/shell.py": SHELL,
    "controllers/law_pi.py": [HAND, *SHELL],
    "controllers/law_pid.py": [HAND, *SHELL],
    "controllers/law_nudge.py": [HAND, *SHELL],
    "controllers/law_pi_park.py": [HAND, *SHELL],
}  # fmt: skip
"""The files, and the tests that are to notice a change in each; none of them runs an engine for long."""
LONGEST_s = 120
OTHER: dict[type, list[type]] = {
    ast.Add: [ast.Sub], ast.Sub: [ast.Add], ast.Mult: [ast.Div], ast.Div: [ast.Mult], ast.Pow: [ast.Mult],
    ast.Lt: [ast.LtE, ast.GtE], ast.LtE: [ast.Lt, ast.Gt], ast.Gt: [ast.GtE, ast.LtE],
    ast.GtE: [ast.Gt, ast.Lt], ast.Eq: [ast.NotEq], ast.NotEq: [ast.Eq], ast.And: [ast.Or], ast.Or: [ast.And],
}  # fmt: skip
"""What takes the place of each operator."""
SWAPPED = {"min": "max", "max": "min", "floor": "ceil", "abs": "float"}
Change = Callable[[Any], None]
KEPT: dict[str, CodeType] = {}
"""Our modules' code as it is, by name, so that no process compiles it again."""


def _put(field: str, value: object, node: ast.AST) -> None:
    setattr(node, field, value)


def changes_of(node: ast.AST) -> Iterator[tuple[str, Change]]:
    """What can be changed at one place of the source: how it is told, and what does it."""
    if isinstance(node, ast.BinOp | ast.AugAssign | ast.BoolOp):
        for kind in OTHER.get(type(node.op), ()):
            yield kind.__name__, partial(_put, "op", kind())
    elif isinstance(node, ast.Compare):
        for kind in OTHER.get(type(node.ops[0]), ()):
            yield kind.__name__, partial(_put, "ops", [kind()])
    elif isinstance(node, ast.Constant) and type(node.value) in (int, float):
        yield "one more", lambda one: setattr(one, "value", one.value + 1)
    elif isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.USub):
        yield "sign", lambda one: setattr(one, "op", ast.UAdd())
    elif isinstance(node, ast.Name) and node.id in SWAPPED:
        yield SWAPPED[node.id], lambda one: setattr(one, "id", SWAPPED[one.id])
    elif isinstance(node, ast.Attribute) and node.attr in SWAPPED:
        yield SWAPPED[node.attr], lambda one: setattr(one, "attr", SWAPPED[one.attr])


def places(tree: ast.Module) -> Iterator[ast.AST]:
    """All nodes of functions' bodies and of numbers with a name; ``LAW`` is no arithmetic."""
    for one in functions(tree):
        for statement in one.body:
            yield from ast.walk(statement)
    for named in tree.body:
        if isinstance(named, ast.Assign) and not ast.unparse(named.targets[0]).startswith(("LAW", "CODE")):
            yield from ast.walk(named.value)


def mutants(path: Path) -> list[tuple[str, ast.Module]]:
    """All changed copies of a file, one change each, told by line and kind."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    found = []
    for place, node in enumerate(places(tree)):
        for number, (kind, _) in enumerate(changes_of(node)):
            other = copy.deepcopy(tree)
            at = list(places(other))[place]
            list(changes_of(at))[number][1](at)
            line = getattr(node, "lineno", 0)
            found.append((f"{line}: {kind} in `{ast.unparse(node)}`", ast.fix_missing_locations(other)))
        if isinstance(node, ast.Assign | ast.AugAssign) and not isinstance(node.value, ast.Constant):
            other = copy.deepcopy(tree)
            at = list(places(other))[place]
            if isinstance(at, ast.AugAssign) or ast.unparse(at).partition("[")[0].startswith(("s.", "k.")):
                _leave_out(other, at)
                found.append((f"{node.lineno}: left out `{ast.unparse(node)}`", other))
    return found


def _leave_out(tree: ast.Module, statement: ast.AST) -> None:
    """Put ``pass`` in place of one statement."""
    for one in ast.walk(tree):
        for _, block in ast.iter_fields(one):
            if isinstance(block, list) and statement in block:
                block[block.index(statement)] = ast.copy_location(ast.Pass(), statement)


def survives(module: str, changed: CodeType | None, tests: list[str], list_to: Path | None = None) -> bool:
    """Whether the tests pass, in a process of their own, with a module's code changed."""
    child = os.fork()
    if child:
        return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 0
    signal.alarm(LONGEST_s)  # ends it by its default: one that hangs is noticed
    null = os.open(os.devnull, os.O_WRONLY)
    os.dup2(null, 1)
    os.dup2(null, 2)
    usual = SourceFileLoader.get_code

    def get_code(loader: SourceFileLoader, name: str) -> CodeType | None:
        return changed if name == module and changed else KEPT.get(name) or usual(loader, name)

    setattr(SourceFileLoader, "get_code", get_code)  # noqa: B010 (mypy lets no method be assigned to)
    import pytest
    from hypothesis import Phase, settings

    first = [Phase.explicit, Phase.generate]  # the smallest example is of no use here
    settings.register_profile("first", derandomize=True, deadline=None, phases=first)
    loaded = "ignore::pytest.PytestAssertRewriteWarning"  # hypothesis is, before the fork
    ended = pytest.main(["-x", "-q", "-n0", "-W", loaded, "-p", "no:cacheprovider",
                         "--hypothesis-profile=first", *tests])  # fmt: skip
    if list_to:
        list_to.write_text("\n".join(sys.modules), encoding="utf-8")
    os._exit(int(ended))


def load_what_they_load(tests: list[str]) -> bool:
    """Run the tests on the source as it is; load the libraries they do, and read our files, once for all."""
    with tempfile.TemporaryDirectory() as folder:
        listed = Path(folder) / "modules"
        sound = survives("", None, tests, listed)
        for name in listed.read_text(encoding="utf-8").split("\n"):
            if name.partition(".")[0] in PACKAGES:
                path = ROOT / name.replace(".", "/")
                path = path / "__init__.py" if path.is_dir() else path.with_suffix(".py")
                KEPT[name] = compile(path.read_text(encoding="utf-8"), str(path), "exec")
            elif name.partition(".")[0] not in ("tests", "conftest", "__main__", "__mp_main__"):
                with suppress(Exception):  # a library may not bear to be loaded by itself
                    importlib.import_module(name)
    return sound


def main(files: list[str]) -> None:
    """Make and try all changes, and print what survived."""
    os.environ["NUMBA_DISABLE_JIT"] = "1"
    read_fields_first()
    begun, made_in_all, left_in_all = time.monotonic(), 0, 0
    for file in files or TESTS:
        path = ROOT / file
        if not load_what_they_load(TESTS[file]):
            sys.exit(f"the tests of {file} fail on the source as it is")
        made = mutants(path)
        module = module_name(path)
        left = [
            told for told, tree in made if survives(module, compile(tree, str(path), "exec"), TESTS[file])
        ]
        made_in_all, left_in_all = made_in_all + len(made), left_in_all + len(left)
        print(f"{file}: {len(made) - len(left)} of {len(made)} killed")  # noqa: T201 (what it prints)
        for told in left:
            print(f"  {told}", flush=True)  # noqa: T201
    share = 1.0 - left_in_all / made_in_all
    seconds = time.monotonic() - begun
    print(f"{share:.1%} of {made_in_all} killed in {seconds:.0f} s")  # noqa: T201


if __name__ == "__main__":
    main(sys.argv[1:])
