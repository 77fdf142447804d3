"""Reading the project's own source, for the tests that hold it to its rules."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
PACKAGES = ("controllers", "sim", "tuning", "workbench")
"""The packages with code, lowest layer first."""

FunctionNode = ast.FunctionDef | ast.AsyncFunctionDef


def source_files(*folders: str) -> list[Path]:
    """Python files under folders of the project, in a fixed order; each folder has some."""
    found: list[Path] = []
    for folder in folders:
        files = sorted((ROOT / folder).rglob("*.py"))
        assert files, f"no Python file under {folder}/: a rule that checks nothing proves nothing"
        found += files
    return found


def shown(path: Path) -> str:
    """The path as a message names it."""
    return path.relative_to(ROOT).as_posix()


def parsed(path: Path) -> ast.Module:
    """Syntax tree of one file."""
    return ast.parse(path.read_text(encoding="utf-8"), filename=str(path))


def functions(tree: ast.AST) -> Iterator[FunctionNode]:
    """All functions and methods, nested ones too."""
    for node in ast.walk(tree):
        if isinstance(node, FunctionNode):
            yield node


def own_statements(function: FunctionNode) -> Iterator[ast.AST]:
    """What a function itself executes: its body without functions and classes inside it."""
    waiting: list[ast.AST] = list(function.body)
    while waiting:
        node = waiting.pop()
        yield node
        if not isinstance(node, FunctionNode | ast.ClassDef | ast.Lambda):
            waiting += ast.iter_child_nodes(node)


def module_name(path: Path) -> str:
    """Dotted name under which a file is imported."""
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def imports(path: Path, tree: ast.AST) -> Iterator[tuple[int, str, str]]:
    """Line, absolute module and name (empty for ``import x``) of each import below a node."""
    package = module_name(path).split(".")
    if path.name != "__init__.py":
        package = package[:-1]
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            for alias in node.names:
                yield node.lineno, alias.name, ""
        elif isinstance(node, ast.ImportFrom):
            start = package[: len(package) - node.level + 1] if node.level else []
            module = ".".join([*start, *filter(None, [node.module])])
            for alias in node.names:
                yield node.lineno, module, alias.name
