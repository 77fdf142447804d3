"""The errors evenidle raises on purpose, from one root."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass


class EvenidleError(Exception):
    """Root of every error that evenidle raises on purpose."""


@dataclass(frozen=True)
class Problem:
    """One thing wrong with one file."""

    file: str  # as the user named it
    line: int  # from 1; 1 where the file as a whole is meant
    key: str  # path in the file, such as ``valve.area_mm2[3]``, or ``file``
    message: str  # what is wrong, the value, what is allowed

    def to_dict(self) -> dict[str, str | int]:
        """The problem taken apart: ``file``, ``line``, ``key``, ``what`` is wrong, what is ``allowed``."""
        what, _, allowed = self.message.partition("allowed: ")
        place: dict[str, str | int] = {"file": self.file, "line": self.line, "key": self.key}
        return place | {"what": what.rstrip(" ,;"), "allowed": allowed}

    def __str__(self) -> str:
        """Return the problem as one line, ``FILE:LINE: key: message``."""
        text = f"{self.file}:{self.line}: {self.key}: {self.message}"
        # Names and values come from files: a line end in one of them must not make two lines.
        return "".join(
            character if character.isprintable() else character.encode("unicode_escape").decode()
            for character in text
        )


class InputError(EvenidleError):
    """Something the user gave cannot be used; carries all problems found, at least one."""

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems: tuple[Problem, ...] = tuple(problems)
        super().__init__("\n".join(str(problem) for problem in self.problems))

    def __reduce__(self) -> tuple[type[InputError], tuple[tuple[Problem, ...]]]:
        """Rebuild from the problems, so that the error survives a trip between processes."""
        return (type(self), (self.problems,))
