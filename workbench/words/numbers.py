"""Numbers for people."""

from __future__ import annotations

import math


def number(value: float | None, digits: int = 3) -> str:
    """Write a number short; a dash where there is none."""
    if value is None or not math.isfinite(value):
        return "-"
    if abs(value) >= 10.0**digits - 0.5:  # 999.7 is 1000, not 1e+03
        return f"{value:.0f}"
    return f"{value:.{digits}g}"
