"""``evenidle base``: proposals for the open-loop curves."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import sim
import tuning
from workbench.commands.options import CarFile, Columns, Full, OutFolder, argument
from workbench.output.drawing import Figure
from workbench.output.printing import Screen
from workbench.output.results import read_logs, say_lines, write_figures


def base(
    screen: Screen, seed: int, car: CarFile,
    logs: Annotated[list[Path] | None, argument("[LOG.csv...]", "Recorded logs, if any.")] = None,
    columns: Columns = None, out: OutFolder = None, full: Full = False,
) -> None:  # fmt: skip
    """Propose base, cranking and after-start curves. From logs, or else from the model."""
    read = sim.load_car(car)
    recorded = read_logs(screen, logs or [], columns, full, read)
    screen.warn_of_compiling()
    result: tuning.LoggedBase | tuning.BaseProposal
    if recorded:
        result = tuning.base_from_logs(read, recorded)
    else:
        with screen.progress("trying starts") as tell:
            result = tuning.base_from_model(read, seed=seed, on_progress=tell)
    screen.caution(read)
    say_lines(screen, result, full)
    # A valve that must be mended comes before any curve is tried.
    if not (faults := getattr(result, "valve_faults", ())):
        screen.say("To try them, these lines take the place of yours in [curves] of the car file:")
        curves = {"base_steps": result.curve} if isinstance(result, tuning.LoggedBase) else result.curves()
        for key, value in curves.items():
            screen.say(f"{key} = {_written(value)}")
        waits_s, fade_s = read.feedback.enable_delay_s, getattr(result, "fade_s", 0.0)  # logs give no fade
        if read.feedback.acts and waits_s < fade_s:
            told = f"enable_delay_s = {fade_s:g} in [feedback] (now {waits_s:g})."
            screen.say(f"Feedback must wait out that decay, else it takes the air away: {told}")
    files = write_figures(screen, out, lambda: {"base": _figure(result)})
    screen.say(f"next: evenidle check {car}{'' if faults else ', with these lines in a copy of it'}")
    screen.finish({**result.to_dict(), "files": files})


def _written(value: Any) -> str:
    """A number, or a curve's points, as a car file has them."""
    if isinstance(value, float):
        return f"{value:g}"
    return f"[{', '.join(f'[{degC:g}, {steps:g}]' for degC, steps in value)}]"


def _figure(result: tuning.LoggedBase | tuning.BaseProposal) -> Figure:
    from workbench.figures.start import logged_base_figure, proposal_figure

    if isinstance(result, tuning.LoggedBase):
        return logged_base_figure(result)
    return proposal_figure(result)
