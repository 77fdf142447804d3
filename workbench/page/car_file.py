"""A car file of the owner's own, and apart from it changes that nobody has saved yet."""

from __future__ import annotations

import contextlib
import hashlib
import re
from dataclasses import dataclass
from pathlib import Path

import sim


class CarFile:
    """A file that was opened, or made by 'Save as'."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.backup: Path | None = None
        self._known = _digest(path)

    @classmethod
    def new(
        cls, name: str, car: sim.Car, text_of: Path | None = None, why: dict[str, str] | None = None
    ) -> CarFile:
        """Make one, with the text of another where there is one, or by key why a number is what it is."""
        try:
            path = Path(name.strip()).expanduser()
            there = path.exists()
        except (OSError, RuntimeError) as error:
            raise _refused(name, f"no place for a file ({error})", "a new name ending in .toml") from None
        # A name of dots alone would be a hidden file, which nobody finds again.
        if not re.search(r"[^. ] *\.toml$", path.name, re.IGNORECASE):
            raise _refused(path, "no car file's name", "one ending in .toml, such as mycar.toml")
        if there:
            raise _refused(path, "is there already", "a new name")
        sim.save_car(car, path, why, text_of=text_of)
        return cls(path.resolve())

    @property
    def changed_by_others(self) -> bool:
        """Whether it is there, but is no longer what was read or written here last."""
        try:
            return _digest(self.path) != self._known
        except OSError:
            return False  # it is gone or cannot be read: there is nothing to be read again

    def write(self, car: sim.Car) -> None:
        """Write a car into it, the file as it was opened first kept beside it."""
        name, anew = self.path.name, "'Save as', a new name"
        if not self.path.is_file():
            raise _refused(name, "is there no more", anew)
        try:
            digest = _digest(self.path)
        except OSError as error:
            raise _refused(name, f"cannot be read any more ({error.strerror})", anew) from None
        if digest != self._known:
            again = f"{anew}, or 'Read it again', which drops what was changed here"
            raise _refused(name, "was changed by something else since", again)
        if self.backup is None:
            self.backup = sim.keep_copy(self.path)
        sim.save_car(car, self.path)
        self._known = _digest(self.path)


def _refused(file: Path | str, wrong: str, allowed: str) -> sim.InputError:
    return sim.one_problem(file, 1, "file", f"{wrong}, allowed: {allowed}")


def _digest(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


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
        sim.save_car(car, self._path(key))
        sim.write_beside(self._path(key, "opened"), opened)

    def drop(self, key: str) -> None:
        """Forget changes, which have been saved or undone."""
        for end in ("toml", "opened"):
            with contextlib.suppress(OSError):
                self._path(key, end).unlink()

    def listed(self) -> list[Draft]:
        """All that can be taken up again."""
        found = []
        for path in self._folder.glob("*.toml") if self._folder.is_dir() else ():
            with contextlib.suppress(sim.InputError, OSError):
                opened = sim.read_text(self._path(path.stem, "opened"))
                found.append(Draft(path.stem, opened, path.stat().st_mtime))
        return sorted(found, key=lambda one: -one.kept_s)

    def car(self, draft: Draft) -> sim.Car:
        """The changed car."""
        return sim.load_car(self._path(draft.key))

    def _path(self, key: str, end: str = "toml") -> Path:
        return self._folder / f"{re.sub('[^A-Za-z0-9_-]', '', key)}.{end}"
