"""Each law in words, by its name in the car file; a law without any is told by its name alone."""

from __future__ import annotations

LAW_WORDS = {
    "none": "base curve only, no feedback",
    "pi": "proportional and integral: the common choice",
    "pid": "proportional, integral and derivative; a controller without: search for law pi",
    "nudge": "a fixed move towards target at each update; a controller without: search for law pi",
    "pi_park": "proportional and integral; rests where no better position exists",
}
