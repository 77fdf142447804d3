"""What to see to before an engine is run for a try: first on every sheet and report."""

from __future__ import annotations

CAUTIONS = (
    (
        "Exhaust gas kills and cannot be smelt.",
        "Run the engine outdoors or with the exhaust led out.",
    ),
    (
        "The car must not move.",
        "Wheels chocked, brake on, neutral; nobody in front of it or behind.",
    ),
    (
        "Fans, belts, hot parts.",
        "Fans start on their own. Keep hands, hair, sleeves and leads clear.",
    ),
    ("Fuel.", "Look for leaks before each start; an extinguisher at hand."),
    ("A second person", "stands by to switch off. Your own hand is on the key for each first try."),
    (
        "The engine can race.",
        (
            "A valve wired the wrong way round, or one that has lost its position, opens when it"
            " should close. Opening must raise speed: try that first. Begin with narrow trim"
            " limits; the open-loop curve is the fall-back."
        ),
    ),
    ("Rules.", "Emission and road rules are local; work that needs a licensed person is theirs."),
    (
        "The numbers are a model's.",
        "They are a good place to begin, not a promise about this engine.",
    ),
)
"""Heading and text of each."""


def caution_lines() -> list[str]:
    """Tell the cautions in a terminal.

    Gives A heading, then one line each.
    """
    return ["Before anything of this is tried on the car:",
            *(f"  {heading} {text}" for heading, text in CAUTIONS)]  # fmt: skip
