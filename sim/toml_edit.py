"""Puts changed values into the text of a TOML file; what its owner wrote beside them stays."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from difflib import SequenceMatcher
from typing import Any

from sim.toml_text import toml_value

Lines = Callable[[tuple[str, ...], object], list[str]]
"""Lines of a key that is new in a file, comment and all, from its path and value."""


def edited(text: str, before: Mapping[str, Any], after: Mapping[str, Any], new_lines: Lines) -> str | None:
    """Change the values of a TOML document that differ, and no other character.

    ``before`` is what the text says, defaults filled in; ``after`` what it shall say. None where it is
    written in a way that cannot be changed in place.
    """
    import tomlkit
    from tomlkit.exceptions import TOMLKitError

    try:
        document = tomlkit.parse(text.replace("\r\n", "\n"))
        _change(document, (), before, after, new_lines)
        changed = tomlkit.dumps(document)
    except (TOMLKitError, ValueError, KeyError, TypeError, AttributeError, IndexError):
        return None
    return changed.replace("\n", "\r\n") if "\r\n" in text else changed


def _change(
    table: Any, path: tuple[str, ...], before: Mapping[str, Any], after: Mapping[str, Any], new_lines: Lines
) -> None:
    """Change one table, and those within it."""
    import tomlkit

    for key in before.keys() - after.keys():
        table.remove(key)
    for key, value in after.items():
        old = before.get(key)
        if value == old:
            continue
        if isinstance(value, Mapping):
            if key not in table:
                table[key] = tomlkit.table()
            _change(table[key], (*path, key), old or {}, value, new_lines)
        elif value is None:
            table.remove(key)
        elif key not in table:
            _add(table, new_lines((*path, key), value))
        elif isinstance(old, tuple) and isinstance(value, tuple):
            _change_rows(table[key], old, value)
        else:
            table[key] = tomlkit.value(toml_value(value))


def _change_rows(array: Any, old: tuple[Any, ...], new: tuple[Any, ...]) -> None:
    """Change the elements of an array that differ: comments beside the others stay."""
    import tomlkit

    steps = SequenceMatcher(None, old, new, autojunk=False).get_opcodes()
    for what, first, last, new_first, new_last in reversed(steps):
        if what == "equal":
            continue
        shared = min(last - first, new_last - new_first)
        for place in reversed(range(first + shared, last)):
            del array[place]
        for place in range(shared):
            array[first + place] = tomlkit.value(toml_value(new[new_first + place]))
        for place in range(new_first + shared, new_last):
            array.insert(first + place - new_first, tomlkit.value(toml_value(new[place])))


def _add(table: Any, lines: list[str]) -> None:
    """Add a key at the end of a table, before the empty lines that part it from the next."""
    import tomlkit
    from tomlkit.items import InlineTable, Whitespace

    found = tomlkit.parse("\n".join(lines) + "\n").body
    if isinstance(table, InlineTable):
        table.update({name: item for name, item in found if name is not None})
        return
    body = table.value.body if hasattr(table, "value") else table.body
    gap = []
    while body and isinstance(body[-1][1], Whitespace):
        gap.append(body.pop())
    for name, item in found:
        table.append(name, item)
    body.extend(reversed(gap))
