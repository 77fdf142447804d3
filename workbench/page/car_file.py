"""A car file of the owner's own: changes go into it, and what it was stays beside it."""

from __future__ import annotations

import hashlib
import re
from pathlib import Path

import sim


class CarFile:
    """A file that was opened, or made by 'Save as'."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.backup: Path | None = None
        self._known = _digest(path)

    @classmethod
    def new(cls, name: str, car: sim.Car, text_of: Path | None = None) -> CarFile:
        """Make one, with the text of another where there is one."""
        try:
            path = Path(name.strip()).expanduser()
            there = path.exists()
        except (OSError, RuntimeError) as error:
            message = f"no place for a file ({error}), allowed: a new name ending in .toml"
            raise sim.one_problem(name, 1, "file", message) from None
        # A name of dots alone would be a hidden file, which nobody finds again.
        if not re.search(r"[^. ] *\.toml$", path.name, re.IGNORECASE):
            message = "no car file's name, allowed: one ending in .toml, such as mycar.toml"
            raise sim.one_problem(path, 1, "file", message)
        if there:
            raise sim.one_problem(path, 1, "file", "is there already, allowed: a new name")
        sim.save_car(car, path, text_of=text_of)
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
        name = self.path.name
        if not self.path.is_file():
            raise sim.one_problem(name, 1, "file", "is there no more, allowed: 'Save as', a new name")
        try:
            digest = _digest(self.path)
        except OSError as error:
            message = f"cannot be read any more ({error.strerror}), allowed: 'Save as', a new name"
            raise sim.one_problem(name, 1, "file", message) from None
        if digest != self._known:
            message = (
                "was changed by something else since, allowed: 'Save as', a new name, or"
                " 'Read it again', which drops what was changed here"
            )
            raise sim.one_problem(name, 1, "file", message)
        if self.backup is None:
            self.backup = sim.keep_copy(self.path)
        sim.save_car(car, self.path)
        self._known = _digest(self.path)


def _digest(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()
