"""Each law in words, by its name in the car file; a law without any is told by its name alone."""

from __future__ import annotations

LAW_WORDS = {
    "none": "base curve only, no feedback",
    "pi": "PI, proportional and integral: the common choice",
    "pid": "proportional, integral and derivative; if your controller has no derivative: pi",
    "nudge": "fixed-step correction: so many steps towards target at each update",
    "pi_park": "PI that holds when no step is closer to the target",
}
