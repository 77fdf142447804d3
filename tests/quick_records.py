"""With the compiler off: fields of records are read three times as fast, for what runs long without it."""

from __future__ import annotations

import numpy as np

OF_CLASS, FIELD = np.record.__getattribute__, np.void.__getitem__


def field(record: np.record, name: str) -> object:
    """Look for a field first, for what the class has afterwards: no field of ours has a method's name."""
    try:
        return FIELD(record, name)
    except (IndexError, ValueError):
        return OF_CLASS(record, name)


def read_fields_first() -> None:
    """Do so in this process from now on."""
    setattr(np.record, "__getattribute__", field)  # noqa: B010 (mypy lets no method be assigned to)
