"""The model on one page, made from its docstrings: ``python -m tests.model_page``, which prints it.

With ``write`` it is put where the web page shows it from, ``workbench/page/model.html``.

Every compiled function of the plant and the controllers, and every function of a law, that names a source:
what it works out, its arguments with their ranges, where it comes from, and which tests call it by name.
"""

from __future__ import annotations

import ast
import re
import sys
from dataclasses import dataclass
from html import escape

from tests.source_tree import ROOT, FunctionNode, functions, parsed, shown, source_files

LAYERS = ("controllers", "sim")
MARKS = {"relation", "compiled"}
SOURCE = re.compile(r"Source: (.+?)(?:\n\n|\Z)", re.DOTALL)


@dataclass(frozen=True)
class Relation:
    """One relation as its docstring has it."""

    file: str
    name: str
    what: str
    arguments: str
    source: str
    checks: tuple[str, ...]  # tests that name it


def relations() -> list[Relation]:
    """All relations that name a source, by file."""
    tests = {shown(path): path.read_text(encoding="utf-8") for path in source_files("tests")}
    found = []
    for path in source_files(*LAYERS):
        for one in functions(parsed(path)):
            text = ast.get_docstring(one) or ""
            source = SOURCE.search(text)
            if source and (path.name.startswith("law_") or _marked(one)):
                named = re.compile(rf"\b{one.name}\b")
                checks = tuple(name for name, content in tests.items() if named.search(content))
                told = (_line(text.split("\n\n")[0]), _arguments(text), _line(source[1]))
                found.append(Relation(shown(path), one.name, *told, checks))
    return found


def _marked(function: FunctionNode) -> bool:
    return any(ast.unparse(one).partition("(")[0] in MARKS for one in function.decorator_list)


def _line(text: str) -> str:
    return " ".join(text.split())


def _arguments(text: str) -> str:
    """What the docstring says of the arguments, units and ranges in it."""
    section = re.search(r"Parameters\n-+\n(.*?)(?:\n\n|\Z)", text, re.DOTALL)
    return _line(section[1]) if section else ""


def page() -> list[str]:
    """The page as Markdown."""
    lines = ["# The model, made from its docstrings"]
    last = ""
    for one in relations():
        if one.file != last:
            last = one.file
            lines += ["", f"## {one.file}"]
        lines += ["", f"**{one.name}**: {one.what}"]
        lines += [f"- arguments: {one.arguments}"] if one.arguments else []
        lines += [
            f"- source: {one.source}",
            f"- named in: {', '.join(one.checks) or 'no test; through a run only'}",
        ]
    return lines


SHOWN = ROOT / "workbench" / "page" / "model.html"
HEAD = """<!doctype html>
<html lang="en-GB"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width">
<title>The model</title><style>
:root { color-scheme: light dark; }
body { font-family: sans-serif; line-height: 1.4; max-width: 52rem; margin: 1rem auto; padding: 0 1rem; }
dt { float: left; clear: left; width: 6.5rem; } dd { margin-left: 7rem; }
</style></head><body><h1>The model</h1>
<p>Each relation of engine, valve, sensors and control laws: what it works out, of what and within which
range, where it comes from, and which tests name it. Made from the source. What is 'assumed', and what is
'common practice, no source', is just that; all numbers that follow from it are a model's.</p>
"""


def html_page() -> str:
    """The page as the web page shows it."""
    lines, last = [], ""
    for one in relations():
        if one.file != last:
            last = one.file
            lines.append(f"<h2>{one.file}</h2>")
        told = {"of": one.arguments, "source": one.source, "tests": ", ".join(one.checks)}
        parts = "".join(f"<dt>{name}</dt><dd>{escape(text)}</dd>" for name, text in told.items() if text)
        lines.append(f"<h3>{one.name}</h3>\n<p>{escape(one.what)}</p>\n<dl>{parts}</dl>")
    return HEAD + "\n".join(lines) + "\n</body></html>\n"


if __name__ == "__main__":
    if sys.argv[1:] == ["write"]:
        SHOWN.write_text(html_page(), encoding="utf-8")
    else:
        print("\n".join(page()))  # noqa: T201 (what the command prints)
