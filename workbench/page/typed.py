"""Numbers as people type them: a comma or a point before the decimals, and nothing guessed."""

from __future__ import annotations

import re

Typed = float | str | None
"""What stands in a field: a number, something that is none, or nothing."""
_NUMBER = re.compile(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)")


def number_typed(text: str | None) -> Typed:
    """Read a field."""
    plain = (text or "").strip().replace("\N{MINUS SIGN}", "-")
    if not plain:
        return None
    return float(plain.replace(",", ".")) if _NUMBER.fullmatch(plain) else plain


def number_shown(value: Typed) -> str:
    """Write what stands in a field."""
    return "" if value is None else value if isinstance(value, str) else f"{value:.10g}"


def no_number(text: str) -> str:
    """Refuse what is no number."""
    return f"no number ('{text[:20]}'), allowed: digits, with a point or a comma before decimals"
