"""One thing found: a code and the quantities that belong to it, without words."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, ClassVar, TypeAlias

Value: TypeAlias = "float | int | str | bool | Note | tuple[Value, ...] | None"
"""A quantity, a word that needs no unit (the name of a setting), or notes within a note."""


@dataclass(frozen=True, init=False)
class Note:
    """Something found, for people to be told in their own units.

    Attributes
    ----------
    code : str
        Which sentence it is, in dots, the package first: ``checks.homing.short``.
    values : tuple of (str, Value)
        Quantities by name, in order; a name ends in its unit, as everywhere.
    """

    code: str
    values: tuple[tuple[str, Value], ...]

    def __init__(self, code: str, **values: Value) -> None:
        object.__setattr__(self, "code", code)
        object.__setattr__(self, "values", tuple(values.items()))

    def __getitem__(self, name: str) -> Value:
        return dict(self.values)[name]

    def to_dict(self) -> dict[str, Any]:
        """The note as plain values: ``code`` and ``values``; what is not finite as None."""
        return {"code": self.code, "values": {name: plain(value) for name, value in self.values}}


def plain(value: Any) -> Any:
    """A value for JSON: dicts and lists, None for what is not finite, whatever has ``to_dict`` by that."""
    if hasattr(value, "to_dict"):
        return value.to_dict()
    if hasattr(value, "model_dump"):
        return value.model_dump(mode="json")
    if hasattr(value, "tolist"):
        value = value.tolist()
    if isinstance(value, Mapping):
        return {name: plain(one) for name, one in value.items()}
    if isinstance(value, tuple | list):
        return [plain(one) for one in value]
    return None if isinstance(value, float) and not math.isfinite(value) else value


class Told:
    """What is given as plain values for JSON: all fields and ``ALSO``, or what ``TOLD`` names."""

    TOLD: ClassVar[tuple[str, ...]] = ()
    ALSO: ClassVar[tuple[str, ...]] = ()

    def to_dict(self) -> dict[str, Any]:
        """Plain values by name."""
        own = self._told()
        names = (*(self.TOLD or vars(self)), *self.ALSO, *own)
        return {name: plain(own[name] if name in own else getattr(self, name)) for name in names}

    def _told(self) -> dict[str, Any]:
        """What is told by a name that is no field's or property's, or in another form."""
        return {}
