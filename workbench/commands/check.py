"""``evenidle check``: what can be checked without running the engine on the car."""

from __future__ import annotations

from workbench.commands.options import AsJson, CarFile, Quiet, Seed
from workbench.output.printing import SIGNS, Screen


def check(
    car: CarFile,
    seed: Seed = 0,  # noqa: ARG001 (every command takes it; nothing here is random)
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> None:
    """Check valve, homing, timing, room to move and curves; no engine is run on the car."""
    from sim import load_car
    from workbench.words.cautions import caution_lines

    screen = Screen("check", as_json, quiet)
    read = load_car(car)
    screen.warn_of_compiling()
    from tuning import check as check_car

    result = check_car(read)
    rows = [[SIGNS[line.verdict], line.name, line.value] for line in result.lines]
    screen.table(f"Checks of {read.name}", ["", "what", "number"], rows)
    remedies = [line for line in result.lines if line.verdict != "pass"]
    if remedies:
        screen.say("What to do, and why:")
    for line in remedies:
        screen.say(f"  {line.name}: {line.remedy}.")
        screen.say(f"    ({line.reason})")
    if remedies:
        for one in caution_lines():
            screen.say(one)
    failed = sum(line.verdict == "fail" for line in result.lines)
    warned = len(remedies) - failed
    kind = "fail" if failed else "warn" if warned else "pass"
    screen.verdict(
        f"{len(result.lines)} checks: {failed} failed, {warned} to look at, "
        f"{len(result.lines) - len(remedies)} passed.",
        kind,
    )
    screen.finish(result.to_dict(), bad=failed > 0)
