"""All laws by their names in the car file."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, get_args

from controllers.settings import Law as LawName

if TYPE_CHECKING:
    from controllers.law import Law
    from controllers.settings import Feedback


LAWS: dict[str, Law] = {name: import_module(f"controllers.law_{name}").LAW for name in get_args(LawName)}
"""Each law's description of itself; its file is ``law_NAME.py``."""


def law_of(feedback: Feedback) -> Law:
    """Description of the law that settings choose."""
    return LAWS[feedback.law]


def setting_acts(feedback: Feedback, key: str) -> bool:
    """Whether a setting of table [feedback] does anything in the law chosen.

    False with feedback off; what is some laws' own acts in those alone, what is left in all.
    """
    if not feedback.acts:
        return False
    own = any(key in law.settings for law in LAWS.values())
    return not own or key in law_of(feedback).settings
