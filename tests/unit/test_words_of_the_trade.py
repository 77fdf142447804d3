"""People read the trade's words, one for each thing, by the list in the guide."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
FOLDERS = ("words", "page", "figures", "report", "output", "sheet", "commands")
"""Where sentences, labels and titles stand."""
ROW = re.compile(r"^\| ([^|]+) \| ([^|`]+) \| ([^|]+) \|$", re.MULTILINE)


def listed() -> dict[str, str]:
    """Words not to be used, by the guide's list, and those to be used instead."""
    guide = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    part = guide.partition("### Words for people")[2].partition("\n### ")[0].partition("\n## ")[0]
    rows = [row for row in ROW.findall(part) if not row[0].startswith(("---", "say"))]
    return {old.strip(): said.strip() for said, many, _ in rows for old in many.split(",")}


def told(path: Path) -> list[tuple[int, str]]:
    """What a file tells people: its texts of more than one word, without docstrings."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    silent = {id(one.value) for one in ast.walk(tree) if isinstance(one, ast.Expr)}
    texts = []
    for one in ast.walk(tree):
        if isinstance(one, ast.Constant) and isinstance(one.value, str) and id(one) not in silent:
            text = re.sub(r"\{[^{}]*?[}!:?]", " ", one.value)  # names of quantities are no words
            if " " in text.strip() and not text.lstrip().startswith(("<", ":root")):
                texts.append((one.lineno, text))
    return texts


def test_guide_lists_the_words() -> None:
    """The list is there, and nothing on it is said to be both used and not used."""
    words = listed()
    assert {"work of a firing", "main pole", "starting place", "border", "left to gain"} <= set(words)
    assert not set(words) & set(words.values())


@pytest.mark.parametrize("folder", FOLDERS)
def test_nothing_told_uses_another_word(folder: str) -> None:
    """No sentence, label or title has a word from the list's second column."""
    unwanted = re.compile("|".join(rf"\b{re.escape(one)}s?\b" for one in listed()), re.IGNORECASE)
    found = [
        f"{path.relative_to(ROOT)}:{line}: {text}"
        for path in sorted((ROOT / "workbench" / folder).glob("*.py"))
        for line, text in told(path)
        if unwanted.search(text)
    ]
    assert not found, "\n".join(found)
