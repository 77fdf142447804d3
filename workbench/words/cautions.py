"""What to see to before an engine is run for a try, and where a car's numbers come from."""

from __future__ import annotations

import sim

CAUTIONS = tuple(
    {
        "Exhaust gas kills: carbon monoxide has no smell.": "Outdoors, or the exhaust led out. No hot exhaust"
        " over dry grass; an air-cooled engine does not stand idling for long: watch its temperature.",
        "The car must not move.": "Wheels chocked, brake on, neutral; nobody in front of it or behind.",
        "Fans, belts, hot parts, ignition.": "Fans start on their own. Hands, hair, sleeves and leads clear;"
        " eyes protected; ignition voltage can kill.",
        "Fuel.": "Look for leaks before each start; extinguisher at hand. Look for air leaks with smoke or"
        " low pressure, engine off: never with flammable spray on a hot engine.",
        "A second person": "watches oil pressure and temperature and can switch off. Your own hand is on the"
        " key for each first try.",
        "The engine can race.": "A valve wired the wrong way round, or lost, opens when it should close."
        " Never home it while the engine runs; never unplug it while it is powered.",
        "Rules.": "Emission and road rules are local; work that needs a licensed person is theirs.",
        "The numbers are a model's.": "They are a good place to begin, not a promise about this engine.",
    }.items()
)
"""Heading and text of each."""


SHORT = (
    "Before anything of this is tried: outdoors (carbon monoxide has no smell), wheels chocked, neutral,"
    " brake on, a second person, extinguisher at hand, clear of fans, belts and ignition; your hand on the"
    " key. The numbers are a model's. All cautions stand on the sheet: evenidle sheet."
)


def caution_lines() -> list[str]:
    """The cautions for a terminal, in short; all of them stand on the sheet."""
    return [SHORT]


BASIS = {
    "guessed": "GUESSED: the numbers of this car are estimated from a few facts; fit it to a log.",
    "fitted": "Fitted: the numbers of this car were fitted to logs.",
    "given": "Given: the numbers of this car are as its file has them, not fitted to a log.",
}


TRUSTED = " The fit can be trusted."
UNTOLD = " Whether that fit can be trusted is not in the file."
UNTRUSTED = (
    "NOT TO BE TRUSTED: the fit behind this car's numbers is refuted by: {doubts}. Record anew (evenidle fit"
    " --guide); nothing that follows may be tried on the car."
)


def is_untrusted(car: sim.Car) -> bool:
    """Whether the fit that made the car's numbers said of itself that it is not to be trusted."""
    return car.car.fit_verdict == "not trusted"


def _range_words(car: sim.Car) -> str:
    """Say what the fit saw; the model alone says what lies beyond."""
    steps, seen = car.car.fitted_steps, car.car.fitted_degC
    if steps is None:
        return ""
    ends = list(dict.fromkeys(f"{one:.0f}" for one in seen or ()))
    at = f"at {' to '.join(ends)} °C" if ends else "at a temperature not recorded"
    return f" Its logs show {steps[0]:.0f} to {steps[1]:.0f} steps, {at}: beyond that the model guesses."


def basis_words(car: sim.Car) -> str:
    """Say whether the car's numbers were given, guessed or fitted, and whether a fit can be trusted."""
    told = BASIS[car.car.basis]
    if is_untrusted(car):
        told = UNTRUSTED.format(doubts=car.car.fit_doubts or "its own checks")
    elif car.car.basis == "fitted":
        told += TRUSTED if car.car.fit_verdict == "trusted" else UNTOLD
        told += _range_words(car)
    return told if car.valve.travel_counted else f"{told} The valve's travel is NOT COUNTED."
