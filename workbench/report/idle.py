"""Report section on the idle as it is: one run with feedback, one with the valve held."""

from __future__ import annotations

from typing import TYPE_CHECKING

from workbench.report.report import Picture, Section

if TYPE_CHECKING:
    from sim import Car

SCENARIO = "warm_idle"
DRAWN_s = 40.0


def idle_section(car: Car, seed: int, base_error_steps: float = 0.0) -> tuple[Section, bool]:
    """Let the car idle warm, with its feedback and with the valve held still."""
    from sim import load_scenario, simulate, with_values
    from tuning import measure
    from tuning.log_events import read_run
    from tuning.measures import HUNTS
    from workbench.figures.trace import idle_figure
    from workbench.words.wording import in_words

    scenario = load_scenario(SCENARIO)
    windows = [(one.what, one.from_s, one.to_s) for one in scenario.measure]
    held_car = with_values(car, {"feedback": {"law": "none"}})
    run = simulate(car, scenario, seed, base_error_steps=base_error_steps)
    held = simulate(held_car, scenario, seed)
    seen = measure(run, windows)
    floor_rpm = measure(held, windows).hunting_rpm
    answer, told = read_run(run, *windows[0][1:])
    hunts = answer == HUNTS
    text = f"With its present settings {in_words(told)}; with the valve held it is {floor_rpm:.0f} rpm."
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
