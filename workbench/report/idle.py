"""Report section on the idle as it is: one run with feedback, one with the valve held."""

from __future__ import annotations

import sim
import tuning
from workbench.figures.trace import idle_figure
from workbench.report.report import Picture, Section
from workbench.words.wording import in_words

SCENARIO = "warm_idle"
DRAWN_s = 40.0


def idle_section(car: sim.Car, seed: int, base_error_steps: float = 0.0) -> tuple[Section, bool]:
    """Let the car idle warm, with its feedback and with the valve held still."""
    scenario = sim.load_scenario(SCENARIO)
    windows = [(one.what, one.from_s, one.to_s) for one in scenario.measure]
    held_car = sim.with_values(car, {"feedback": {"law": "none"}})
    run = sim.simulate(car, scenario, seed, base_error_steps=base_error_steps)
    held = sim.simulate(held_car, scenario, seed)
    seen = tuning.measure(run, windows)
    floor_rpm = tuning.measure(held, windows).hunting_rpm
    hunts = tuning.is_hunting(seen, floor_rpm)
    text = (
        f"With its present settings {in_words(tuning.run_note(seen, floor_rpm))}; with the valve held"
        f" it is {floor_rpm:.0f} rpm."
    )
    if hunts:
        text += " The feedback does it, not the engine."
    moves = f"The valve makes {seen.moves_per_min:.0f} moves a minute"
    pictures = [
        Picture(f"{moves}, and speed follows them.", idle_figure(run, car, DRAWN_s)),
        Picture(
            f"With the valve held still the same engine wanders by {floor_rpm:.0f} rpm: that no"
            " feedback removes.",
            idle_figure(held, held_car, DRAWN_s),
        ),
    ]
    return Section("The idle as it is", text, pictures=pictures), hunts
