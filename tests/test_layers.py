"""The imports go one way: controllers <- sim <- tuning <- workbench, and start-up stays light."""

from __future__ import annotations

import ast
import json
import subprocess
import sys
from pathlib import Path

import pytest

from tests.source_tree import PACKAGES, ROOT, imports, parsed, shown, source_files

MAY_IMPORT = {
    "controllers": {"controllers"},
    "sim": {"sim", "controllers"},
    "tuning": {"tuning", "sim", "controllers"},
    "workbench": {"workbench", "tuning", "sim", "controllers"},
}
NOT_AT_THE_TOP = {
    "asammdf", "control", "matplotlib", "nicegui", "optuna", "pandas", "pint", "psycopg", "scipy",
    "sqlalchemy",
}  # fmt: skip
"""Libraries that take long to import: only inside the function that uses them."""
NOT_FOR_HELP = sorted(NOT_AT_THE_TOP | {"numba", "numpy", "simpy"})
"""What ``evenidle --help`` must not have imported."""


def public_names(package: str) -> set[str]:
    """Names that a package's ``__init__`` lists in ``__all__``."""
    for node in parsed(ROOT / package / "__init__.py").body:
        if isinstance(node, ast.Assign) and ast.unparse(node.targets[0]) == "__all__":
            return set(ast.literal_eval(node.value))
    raise AssertionError(f"{package}/__init__.py has no __all__ = [...] of plain strings")


def wrong_imports(path: Path, tree: ast.AST, controllers_exports: set[str]) -> list[str]:
    """Imports of our own packages that the layers forbid, one line each."""
    package = path.relative_to(ROOT).parts[0]
    ours = {*PACKAGES, "scenarios", "tests"}
    wrong = []
    for line, module, name in imports(path, tree):
        top = module.partition(".")[0]
        if top not in ours:
            continue
        exported = module == "controllers" and name in controllers_exports
        if top not in MAY_IMPORT[package]:
            wrong.append(f"{shown(path)}:{line}: {package} may not import {module}")
        elif (package, top) == ("sim", "controllers") and not exported:
            wrong.append(
                f"{shown(path)}:{line}: sim takes {name or module} from {module}; allowed is only"
                " 'from controllers import' with a name of its __all__"
            )
    return wrong


def imported_at_the_top(path: Path, tree: ast.Module) -> list[tuple[int, str]]:
    """Top-level library and line of each import that runs when the module is imported."""
    found = []
    waiting: list[ast.stmt] = list(tree.body)
    while waiting:
        node = waiting.pop(0)
        if isinstance(node, ast.Import | ast.ImportFrom):
            found += [(n, module.partition(".")[0]) for n, module, _ in imports(path, node)]
        elif isinstance(node, ast.If) and "TYPE_CHECKING" in ast.unparse(node.test):
            waiting += node.orelse
        elif not isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            waiting += [n for n in ast.iter_child_nodes(node) if isinstance(n, ast.stmt)]
    return found


def json_from(script: str) -> object:
    """What a script prints as JSON in a fresh interpreter."""
    done = subprocess.run(
        [sys.executable, "-c", script], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


@pytest.mark.parametrize("package", PACKAGES)
def test_imports_go_one_way(package: str) -> None:
    exports = public_names("controllers")
    wrong = [
        problem for path in source_files(package) for problem in wrong_imports(path, parsed(path), exports)
    ]
    assert not wrong, "\n".join(wrong)


def test_scenarios_hold_data_only() -> None:
    files = [p for p in (ROOT / "scenarios").rglob("*") if p.is_file()]
    assert files
    other = [shown(p) for p in files if p.suffix not in {".toml", ".csv"}]
    assert not other


@pytest.mark.parametrize("package", PACKAGES)
def test_heavy_libraries_are_imported_where_they_are_used(package: str) -> None:
    heavy = [
        f"{shown(path)}:{line}: {library}: import it inside the function that uses it"
        for path in source_files(package)
        for line, library in imported_at_the_top(path, parsed(path))
        if library in NOT_AT_THE_TOP
    ]
    assert not heavy, "\n".join(heavy)


@pytest.mark.parametrize("package", PACKAGES[:3])
def test_no_module_hides_a_public_name(package: str) -> None:
    # Importing tuning.fit binds the module to tuning.fit: a function of that name must win,
    # whichever was imported first.
    script = (
        "import importlib, json, pkgutil, types\n"
        f"package = importlib.import_module({package!r})\n"
        "for found in pkgutil.iter_modules(package.__path__):\n"
        f"    importlib.import_module({package!r} + '.' + found.name)\n"
        "hidden = [n for n in package.__all__"
        " if isinstance(getattr(package, n), types.ModuleType)]\n"
        "print(json.dumps(hidden))"
    )
    assert json_from(script) == []


def test_starting_the_command_imports_nothing_heavy() -> None:
    script = (
        "import json, sys, workbench.commands.cli\n"
        f"print(json.dumps(sorted(set(sys.modules) & set({NOT_FOR_HELP!r}))))"
    )
    assert json_from(script) == []


@pytest.mark.parametrize(
    ("file", "source"),
    [
        ("controllers/x.py", "from sim import load_car"),
        ("controllers/x.py", "def f():\n    import workbench.commands.cli"),
        ("sim/x.py", "from controllers.shell import open"),
        ("sim/x.py", "import controllers"),
        ("sim/x.py", "from controllers import _hidden"),
        ("sim/x.py", "from tuning import measure"),
        ("tuning/x.py", "import workbench"),
        ("workbench/x.py", "from tests.source_tree import ROOT"),
    ],
)
def test_a_forbidden_import_is_seen(file: str, source: str) -> None:
    assert wrong_imports(ROOT / file, ast.parse(source), {"open"})


def test_an_allowed_import_is_let_pass() -> None:
    source = "from controllers import open\nfrom . import air\nfrom sim.crank import f\nimport numpy"
    assert wrong_imports(ROOT / "sim" / "x.py", ast.parse(source), {"open"}) == []


@pytest.mark.parametrize(
    ("source", "seen"),
    [
        ("import scipy.signal", ["scipy"]),
        ("try:\n    from control import tf\nexcept ImportError:\n    tf = None", ["control"]),
        ("class A:\n    import optuna", ["optuna"]),
        ("def f():\n    import optuna", []),
        ("if TYPE_CHECKING:\n    import optuna\nelse:\n    import pandas", ["pandas"]),
    ],
)
def test_a_heavy_import_is_seen(source: str, seen: list[str]) -> None:
    found = imported_at_the_top(ROOT / "sim" / "x.py", ast.parse(source))
    assert [library for _, library in found] == seen
