"""The rooms of tuning/: one package a subject, each using only those before it, by their names."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

from tests.source_tree import PACKAGES, ROOT, imports, parsed, shown, source_files
from tests.test_layers import public_names

ORDER = (
    "notes", "logs", "measures", "log_events", "loop", "ensemble", "studies", "starts", "checks",
    "open_loop", "identification", "diagnosis", "explanation", "stress_tests", "search",
    "prediction",
)  # fmt: skip
"""Packages of tuning/, lowest first: a package uses only what stands before it."""


BENCH_ORDER = ("words", "output", "figures", "sheet", "report", "page", "commands")
"""Packages of workbench/, lowest first."""


def room_of(path: Path) -> str:
    """Package of tuning/ that a file belongs to; empty for any other file."""
    parts = path.relative_to(ROOT).parts
    return parts[1] if parts[0] == "tuning" and len(parts) == 3 else ""


def exported(room: str) -> set[str]:
    """Names that a package of tuning/ hands on."""
    return public_names(f"tuning/{room}")


def wrong_entries(path: Path, tree: ast.AST, exports: dict[str, set[str]]) -> list[str]:
    """Imports into a package of tuning/ from above it, or of a name that it does not export."""
    own, wrong = room_of(path), []
    for line, module, name in imports(path, tree):
        parts = module.split(".")
        if parts[0] != "tuning" or len(parts) == 1 or parts[1] == own:
            continue
        at = f"{shown(path)}:{line}: {module}"
        if own and ORDER.index(parts[1]) > ORDER.index(own):
            wrong.append(f"{at} stands above tuning.{own}")
        if len(parts) > 2 or name not in exports[parts[1]]:
            wrong.append(f"{at}: {name or 'a module'} is not among what tuning.{parts[1]} exports")
    return wrong


def test_tuning_holds_packages_only() -> None:
    found = {p.name for p in (ROOT / "tuning").iterdir() if p.name != "__pycache__"}
    assert found == {*ORDER, "__init__.py"}


def test_no_package_bears_the_name_of_a_public_function() -> None:
    assert not set(ORDER) & public_names("tuning")


def test_packages_are_entered_one_way_and_by_what_they_export() -> None:
    exports = {room: exported(room) for room in ORDER}
    wrong = [
        problem
        for path in source_files("tuning", "workbench")
        for problem in wrong_entries(path, parsed(path), exports)
    ]
    assert not wrong, "\n".join(wrong)


def test_every_exported_name_is_used_elsewhere() -> None:
    used = {
        (module.split(".")[1], name)
        for path in source_files("tuning", "workbench", "tests")
        for _, module, name in imports(path, parsed(path))
        if module.startswith("tuning.") and room_of(path) != module.split(".")[1]
    } | {(room, name) for room in ORDER for name in public_names("tuning")}
    spare = [
        f"{room}.{name}"
        for room in ORDER
        for name in exported(room) - {one for where, one in used if where == room}
    ]
    assert not spare, "\n".join(sorted(spare))


def test_workbench_holds_packages_that_use_only_those_before() -> None:
    found = {p.name for p in (ROOT / "workbench").iterdir() if p.name != "__pycache__"}
    assert found == {*BENCH_ORDER, "__init__.py", "__main__.py", "pictures"}
    wrong = []
    for path in source_files(*(f"workbench/{room}" for room in BENCH_ORDER)):
        own = BENCH_ORDER.index(path.relative_to(ROOT).parts[1])
        for line, module, _ in imports(path, parsed(path)):
            parts = module.split(".")
            if parts[0] == "workbench" and len(parts) > 1 and BENCH_ORDER.index(parts[1]) > own:
                wrong.append(f"{shown(path)}:{line}: {module} stands above workbench.{BENCH_ORDER[own]}")
    assert not wrong, "\n".join(wrong)


def circles(uses: dict[str, set[str]]) -> list[str]:
    """Modules that reach themselves by what they use; each once what it needs is taken away."""
    left = dict(uses)
    while free := [name for name, used in left.items() if not used & left.keys()]:
        for name in free:
            del left[name]
    return sorted(left)


def test_no_file_reaches_itself_through_what_it_imports() -> None:
    files = {
        ".".join(path.relative_to(ROOT).with_suffix("").parts): path
        for path in source_files(*PACKAGES)
        if path.name != "__init__.py"
    }
    uses = {
        own: {
            one
            for _, module, name in imports(path, parsed(path))
            for one in (module, f"{module}.{name}")
            if one in files and one != own
        }
        for own, path in files.items()
    }
    assert circles(uses) == []
    assert circles({"a": {"b"}, "b": {"a"}, "c": {"a"}, "d": set()}) == ["a", "b", "c"]


@pytest.mark.parametrize(
    ("file", "source", "count"),
    [
        ("tuning/logs/x.py", "from tuning.search import tune", 1),
        ("tuning/search/x.py", "from tuning.logs import read_log", 0),
        ("tuning/search/x.py", "from tuning.logs.log import read_log", 1),
        ("tuning/search/x.py", "from tuning.search.objective import anything", 0),
        ("workbench/sheet/x.py", "from tuning.search.objective import anything", 1),
        ("workbench/sheet/x.py", "from tuning.logs import read_log", 0),
    ],
)
def test_a_wrong_entry_is_seen(file: str, source: str, count: int) -> None:
    exports = {"logs": {"read_log"}, "search": {"tune"}}
    assert len(wrong_entries(ROOT / file, ast.parse(source), exports)) == count
