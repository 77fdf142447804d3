"""What the guide lists, made from the source: ``python -m tests.house_map map`` or ``licences``.

The map tells of each package what it holds, by its own first sentence, and which others it imports. The
licences are those that the installed libraries declare.
"""

from __future__ import annotations

import re
import sys
import tomllib
from collections.abc import Callable
from importlib import metadata
from itertools import chain

from tests.source_tree import PACKAGES, ROOT, imports, parsed, source_files

ROOMS = ("tuning", "workbench")
"""Packages that hold packages only; one of these is what is named of them."""


def room_of(module: str) -> str:
    """The package that a module of ours belongs to, by its path; empty for any other module."""
    parts = module.split(".")
    if parts[0] not in PACKAGES:
        return ""
    return "/".join(parts[:2]) if parts[0] in ROOMS and len(parts) > 1 else parts[0]


def house_map() -> list[str]:
    """Lines of a table: package, what it holds, what it imports of ours."""
    rows = ["| package | holds | imports of ours |", "|---|---|---|"]
    homes = [*PACKAGES[:2], *(home for room in ROOMS for home in rooms_in(room))]
    for home in homes:
        used: set[str] = set()
        for path in source_files(home):
            for _, module, name in imports(path, parsed(path)):
                used.add(
                    room_of(f"{module}.{name}" if module in ROOMS and name in _folders(module) else module)
                )
        told = [one for one in (*PACKAGES, *homes) if one in used - {home, ""}]
        listed = ", ".join(f"`{one}`" for one in dict.fromkeys(told))
        rows.append(f"| `{home}` | {holds(home)} | {listed} |")
    return rows


def _folders(room: str) -> set[str]:
    return {one.partition("/")[2] for one in rooms_in(room)}


def rooms_in(room: str) -> list[str]:
    """Packages below one that holds packages only."""
    return sorted(f"{room}/{path.parent.name}" for path in (ROOT / room).glob("*/__init__.py"))


def holds(home: str) -> str:
    """First sentence of a package's docstring."""
    text = (ROOT / home / "__init__.py").read_text(encoding="utf-8")
    first = re.match(r'"""(.+?)(?:\n\n|""")', text, re.DOTALL)
    assert first, f"{home} says nothing of itself"
    return " ".join(first[1].split()).rstrip(".")


def licences() -> list[str]:
    """Lines of a table: each declared library and the licence that it declares itself."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    declared = [*project["dependencies"], *chain(*project["optional-dependencies"].values())]
    names = {re.split(r"[\[<>=]", one)[0] for one in declared} - {project["name"]}
    return [
        "| library | licence |",
        "|---|---|",
        *(f"| `{one}` | {licence_of(one)} |" for one in sorted(names)),
    ]


def licence_of(name: str) -> str:
    """Licence of an installed library, as its own description has it."""
    about = metadata.metadata(name)
    keys = ("License-Expression", "Classifier", "License")
    for said in chain.from_iterable(about.get_all(key) or [] for key in keys):
        if said and not said.startswith(("Framework", "Programming", "Operating", "Topic", "Intended", "Dev",
                                         "Natural", "Typing", "Environment")):  # fmt: skip
            return str(said).removeprefix("License :: ").removeprefix("OSI Approved :: ").split("\n")[0][:60]
    return "not declared"


MADE: dict[str, Callable[[], list[str]]] = {"map": house_map, "licences": licences}

if __name__ == "__main__":
    print("\n".join(MADE[sys.argv[1]]()))  # noqa: T201 (what the command prints)
