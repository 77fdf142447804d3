"""The house in order: what lies where, how long it is, and that documents agree with the files."""

from __future__ import annotations

import fnmatch
import re
import sys
import tomllib
from pathlib import Path
from typing import Any

import pytest

from tests.source_tree import PACKAGES, ROOT, functions, imports, parsed, shown, source_files

TOP_LEVEL = {
    *PACKAGES,
    "scenarios", "tests", ".ci",
    "evenidle.py", "README.md", "DEVELOPERS.md", "CHANGELOG.md", "LICENSE", "pyproject.toml",
    ".editorconfig", ".gitattributes", ".gitignore", ".git",
}  # fmt: skip
MOST_LINES_IN_A_FILE = 400
MOST_LINES_IN_A_FUNCTION = 60
TEXT = {".css", ".html", ".md", ".py", ".toml"}
LEFT_OPEN = ["TO" + "DO", "FIX" + "ME", "XX" + "X", "NotImplemented" + "Error"]
"""Marks of unfinished work, spelt so that this file may hold them."""
SKIPPED = re.compile(
    r"pytest\.(skip|xfail|importorskip)|mark\.(skip(?!if)|xfail)|unittest\.(skip|mock)"
    r"|mark\.skipif\((?!os\.name|sys\.platform)"
)
"""Ways to leave a test out or to put a mock in; a skipif for another system is let pass."""
VAGUE = re.compile(r"(manager|helper|utils?)(_|$)", re.IGNORECASE)
MARKED_COMMAND = re.compile(r"<!-- command: (\S+) -->\n```\w+\n(.+)\n```\n<!-- end -->")


def read(name: str) -> str:
    """Text of a file of the project."""
    return (ROOT / name).read_text(encoding="utf-8")


def project() -> dict[str, Any]:
    """What pyproject.toml says."""
    return tomllib.loads(read("pyproject.toml"))


def ignored_names() -> list[str]:
    """Patterns of .gitignore, as names."""
    lines = read(".gitignore").splitlines()
    return [line.rstrip("/") for line in lines if line and not line.startswith("#")]


def is_ignored(path: Path) -> bool:
    """Whether .gitignore covers a path, by the name of any of its parts."""
    parts = path.relative_to(ROOT).parts
    return any(fnmatch.fnmatch(part, pattern) for part in parts for pattern in ignored_names())


def own_texts() -> list[Path]:
    """All text files of the project."""
    folders = [ROOT / name for name in TOP_LEVEL - {".git"} if (ROOT / name).is_dir()]
    nested = [p for folder in folders for p in folder.rglob("*") if p.is_file()]
    top = [p for p in ROOT.iterdir() if p.is_file()]
    texts = [p for p in nested + top if p.suffix in TEXT or p == ROOT / ".ci" / "run"]
    return sorted(p for p in texts if not is_ignored(p))


def requirement_names(*extras: str) -> set[str]:
    """Names of the libraries that the project needs, with those of some extras."""
    settings = project()["project"]
    lines = [*settings["dependencies"]]
    for extra in extras:
        lines += settings["optional-dependencies"][extra]
    return {re.split(r"[\[><=~! ]", line)[0] for line in lines} - {"evenidle"}


def readme_commands() -> dict[str, str]:
    """The commands that README.md marks, by name."""
    return dict(MARKED_COMMAND.findall(read("README.md")))


def test_the_top_level_holds_the_agreed_names_only() -> None:
    names = {p.name for p in ROOT.iterdir() if not is_ignored(p)}
    assert names - TOP_LEVEL == set(), "neither agreed nor in .gitignore"
    assert TOP_LEVEL - {".git"} - names == set(), "missing"


def test_files_and_functions_stay_short() -> None:
    long = []
    for path in source_files(*PACKAGES, "tests"):
        lines = len(path.read_text(encoding="utf-8").splitlines())
        if lines > MOST_LINES_IN_A_FILE:
            long.append(f"{shown(path)}: {lines} lines, allowed {MOST_LINES_IN_A_FILE}")
        for node in functions(parsed(path)):
            lines = (node.end_lineno or node.lineno) - node.lineno + 1
            if lines > MOST_LINES_IN_A_FUNCTION:
                long.append(
                    f"{shown(path)}:{node.lineno}: {node.name}: {lines} lines,"
                    f" allowed {MOST_LINES_IN_A_FUNCTION}"
                )
    assert not long, "\n".join(long)


def test_nothing_is_left_open() -> None:
    found = [
        f"{shown(path)}:{number}: {word}"
        for path in own_texts()
        for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), 1)
        for word in LEFT_OPEN
        if re.search(rf"\b{word}\b", line)
    ]
    assert not found, "\n".join(found)


def test_tests_are_skipped_only_where_recorded_data_is_absent() -> None:
    found = [
        shown(path)
        for path in source_files("tests")
        if path != Path(__file__).resolve() and SKIPPED.search(path.read_text(encoding="utf-8"))
    ]
    assert found == ["tests/conftest.py"]
    assert read("tests/conftest.py").count("pytest.skip(") == 1
    # The coverage plugin cuts tests off, where only what they reach is measured; nothing else may load it.
    loaded = ("pyproject.toml", "tests/conftest.py", ".ci/run", "README.md")
    assert not any("coverage_plugin" in read(one) for one in loaded)


def test_names_say_what_things_are() -> None:
    vague = [shown(p) for p in source_files(*PACKAGES, "tests") if VAGUE.search(p.stem)]
    for path in source_files(*PACKAGES):
        vague += [
            f"{shown(path)}:{node.lineno}: {node.name}"
            for node in functions(parsed(path))
            if VAGUE.search(node.name)
        ]
    assert not vague


def test_the_changelog_opens_with_the_version() -> None:
    found = re.search(r"^## \[(\d\S*)\] - (\d{4}-\d\d-\d\d)$", read("CHANGELOG.md"), re.MULTILINE)
    assert found, "CHANGELOG.md has no entry '## [VERSION] - YYYY-MM-DD'"
    assert found.group(1) == project()["project"]["version"]


def test_each_lint_exemption_has_its_reason() -> None:
    block = read("pyproject.toml").partition("\nignore = [")[2].partition("[tool.ruff.lint.pydoc")[0]
    codes = [line for line in block.splitlines() if re.match(r' +"[A-Z]+\d*",', line)]
    assert len(codes) >= 6
    assert [line for line in codes if not re.search(r'", # \S.{9,}', line)] == []
    bare = re.compile(r"# *(noqa(?!: [A-Z])|type: ignore(?!\[))")
    files = source_files(*PACKAGES, "tests")
    assert [shown(p) for p in files if bare.search(p.read_text(encoding="utf-8"))] == []


def test_every_folder_of_code_or_data_is_installed() -> None:
    declared = set(project()["tool"]["setuptools"]["packages"])
    wanted = {
        ".".join(p.parent.relative_to(ROOT).parts)
        for package in (*PACKAGES, "scenarios")
        for p in (ROOT / package).rglob("*")
        if p.suffix in {".py", ".toml", ".csv"}
    }
    assert wanted == declared


@pytest.mark.parametrize(
    ("folders", "extras"),
    [(PACKAGES, ("page", "mdf", "postgres")), (("tests",), ("page", "mdf", "postgres", "test"))],
)
def test_every_imported_library_is_declared(folders: tuple[str, ...], extras: tuple[str, ...]) -> None:
    # Parts of a declared library's own interface: pydantic's errors, nicegui's web framework;
    # fpdf and xdist are what fpdf2 and pytest-xdist install.
    known = {name.replace("-", "_") for name in requirement_names(*extras)} | {"fpdf", "xdist"}
    known |= {"pydantic_core", "starlette"}
    known |= {*PACKAGES, "evenidle", "scenarios", "tests", *sys.stdlib_module_names}
    unknown = [
        f"{shown(path)}:{line}: {module}"
        for path in source_files(*folders)
        for line, module, _ in imports(path, parsed(path))
        if module.partition(".")[0] not in known
    ]
    assert not unknown, "\n".join(unknown)


def test_every_dependency_is_explained() -> None:
    _, _, after = read("DEVELOPERS.md").partition("## Why each dependency is there")
    first_cells = re.findall(r"^\| (`[^|]+) \|", after.partition("\n## ")[0], re.MULTILINE)
    explained = {name for cell in first_cells for name in re.findall(r"`([^`]+)`", cell)}
    assert explained == requirement_names(*project()["project"]["optional-dependencies"])


def test_ci_runs_the_readme_s_commands() -> None:
    commands = readme_commands()
    assert set(commands) == {"try", "try-windows", "test", "test-windows"}
    script = read(".ci/run")
    for name in ("try", "test"):
        assert f"{name}_command=$(readme_command {name})" in script
        assert f'sh -c "${name}_command"' in script
    own = [line for line in script.splitlines() if not line.lstrip().startswith("#")]
    assert not any("pip install" in line for line in own), "the README's own line installs"


@pytest.mark.parametrize("name", ["try", "test"])
def test_both_systems_get_the_same_command(name: str) -> None:
    unix, windows = readme_commands()[name], readme_commands()[f"{name}-windows"]
    assert "&&" not in windows, "PowerShell 5 has no &&"
    steps = [step.replace(".venv/bin/", "").strip() for step in unix.split("&&")]
    same = [
        re.sub(r"^(\.venv\\Scripts\\|py (?=-m venv))|[ }]+$", "", step.strip())
        for step in re.split(r"; if \(\$\?\) \{", windows)
    ]
    steps = [re.sub(r"^python3 |^python -m (?=pip)", "", step) for step in steps]
    assert [re.sub(r"^python -m (?=pip)", "", step) for step in same] == steps


@pytest.mark.parametrize("document", ["README.md", "DEVELOPERS.md", "CHANGELOG.md"])
def test_links_and_pictures_of_documents_are_there(document: str) -> None:
    targets = re.findall(r"\]\(([^)#]+)[^)]*\)", read(document))
    inside = [target for target in targets if "://" not in target]
    assert [target for target in inside if not (ROOT / target).exists()] == []
