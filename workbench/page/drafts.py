"""Changes that nobody has saved yet, kept apart from the owner's files until somebody does."""

from __future__ import annotations

import contextlib
import re
from dataclasses import dataclass
from pathlib import Path

import sim


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

    def keep(self, key: str, opened: str, car: sim.Car) -> None:
        """Keep changes; those kept before of the same work are replaced."""
        self._folder.mkdir(parents=True, exist_ok=True)
        sim.save_car(car, self._car(key))
        sim.write_beside(self._name(key), opened)

    def drop(self, key: str) -> None:
        """Forget changes, which have been saved or undone."""
        for path in (self._car(key), self._name(key)):
            with contextlib.suppress(OSError):
                path.unlink()

    def listed(self) -> list[Draft]:
        """All that can be taken up again."""
        found = []
        for path in self._folder.glob("*.toml") if self._folder.is_dir() else ():
            with contextlib.suppress(sim.InputError, OSError):
                opened = sim.read_text(self._name(path.stem))
                found.append(Draft(path.stem, opened, path.stat().st_mtime))
        return sorted(found, key=lambda one: -one.kept_s)

    def car(self, draft: Draft) -> sim.Car:
        """The changed car."""
        return sim.load_car(self._car(draft.key))

    def _car(self, key: str) -> Path:
        return self._folder / f"{_plain(key)}.toml"

    def _name(self, key: str) -> Path:
        return self._folder / f"{_plain(key)}.opened"


def _plain(key: str) -> str:
    return re.sub(r"[^A-Za-z0-9_-]", "", key)
