"""Changes that nobody has saved yet, kept apart from the owner's files until somebody does."""

from __future__ import annotations

import contextlib
import re
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from sim.errors import InputError
from sim.files import read_text, write_beside

if TYPE_CHECKING:
    from sim import Car


@dataclass(frozen=True)
class Draft:
    """Changes kept."""

    key: str
    opened: str
    kept_s: float


class Drafts:
    """All drafts of one owner."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder

    def keep(self, key: str, opened: str, car: Car) -> None:
        """Keep changes; those kept before of the same work are replaced."""
        from sim import save_car

        self._folder.mkdir(parents=True, exist_ok=True)
        save_car(car, self._car(key))
        write_beside(self._name(key), opened)

    def drop(self, key: str) -> None:
        """Forget changes, which have been saved or undone."""
        for path in (self._car(key), self._name(key)):
            with contextlib.suppress(OSError):
                path.unlink()

    def listed(self) -> list[Draft]:
        """All that can be taken up again."""
        found = []
        for path in self._folder.glob("*.toml") if self._folder.is_dir() else ():
            with contextlib.suppress(InputError, OSError):
                opened = read_text(self._name(path.stem))
                found.append(Draft(path.stem, opened, path.stat().st_mtime))
        return sorted(found, key=lambda one: -one.kept_s)

    def car(self, draft: Draft) -> Car:
        """The changed car."""
        from sim import load_car

        return load_car(self._car(draft.key))

    def _car(self, key: str) -> Path:
        return self._folder / f"{_plain(key)}.toml"

    def _name(self, key: str) -> Path:
        return self._folder / f"{_plain(key)}.opened"


def _plain(key: str) -> str:
    return re.sub(r"[^A-Za-z0-9_-]", "", key)
