"""Whether it hunts, in the same four answers everywhere, of one run or of many; and the stress matrix."""

from __future__ import annotations

from workbench.words.sentence import Sentence, Tell, Values

LIMITS = (
    "Each measure has two limits. A case fails where more than one variation in ten is beyond the second, and"
    " needs work where any is beyond the first; a fault made on purpose fails by a stall or by racing alone."
)
"""How the stress matrix is judged, wherever it is shown."""


def _verdict(values: Values, tell: Tell) -> str:
    failed, warned = values["failed"], values["warned"]
    head = "no failures" if failed == 0 else f"{failed} {'FAILS' if failed == 1 else 'FAIL'}"
    need = f"{warned} {'needs' if warned == 1 else 'need'} work"
    lacking = ", {not_fitted} not fitted to this car" if values["not_fitted"] else ""
    return tell(
        f"Stress suite {{suite}}: {head}, {need}, {{passed}} within all limits" + lacking
        + f"; {{cases}} cases on {{engines}} variations of your car. {LIMITS}"
    )  # fmt: skip


def _case(values: Values, tell: Tell) -> str:
    value, limit = (
        f"{one:.0f}" if abs(one) >= 99.5 else f"{one:.3g}" for one in (values["value"], values["limit"])
    )
    told = (
        f"{{verdict}}  {{name}}: {{meaning}} {value} {{of}} (allowed {{at_least!p:at least|up to}} {limit}), "
    )
    told += "{failing!p:{failing} of {cars} variations fail, }worst: {car}{hunting!k:; overall it {hunting}}"
    return tell(told)


def _chance(head: str) -> Sentence:
    def told(values: Values, tell: Tell) -> str:
        do = "does" if values["hunting"] == 1 else "do"
        chance = "a chance of {low_percent!n:.0f} to {high_percent:.0f}"
        return tell(f"{head}: {{hunting}} of {{runs}} simulated runs {do}, {chance}")

    return told


SENTENCES: dict[str, Sentence] = {
    "measures.hunts": _chance("hunts"),
    "measures.may_hunt": _chance("may hunt"),
    "measures.does_not_hunt": "does not hunt: none of {runs} simulated runs does, which leaves a chance of"
    " up to {high_percent:.0f}",
    "measures.cannot_tell": "cannot tell whether it hunts: {hunting} of {runs} simulated runs do, too few",
    "measures.run.hunts": "this run hunts by {swing_rpm:.0f} peak to peak every {period_s:.1f}",
    "measures.run.goes_to_and_fro": "this run hunts: the valve goes to and fro, unevenly or slowly, and"
    " speed is on average {swing_rpm:.0f} higher while it stands further open",
    "measures.run.swings_with_valve_still": "this run swings by {swing_rpm:.0f} peak to peak every"
    " {period_s:.1f} with the valve still: the engine does that, not the feedback",
    "measures.run.does_not_hunt": "this run does not hunt; in the stretch judged speed wanders by"
    " {swing_rpm:.0f} peak to peak",
    "measures.run.cannot_tell": "this run cannot tell whether it hunts: the valve went over once or twice"
    " and speed with it by {swing_rpm:.0f}; let it run for longer",
    "measures.run.doubtful": "this run cannot tell whether it hunts: speed swings by {swing_rpm:.0f} about"
    " every {period_s:.1f}, and whether the valve makes it or follows is not clear",
    "measures.run.partly": "this run cannot tell whether it hunts: a part of it hunts or may, the longest"
    " without disturbance does not (speed wanders by {swing_rpm:.0f})",
    "measures.run.too_short": "this run cannot tell whether it hunts: it is too short",
    "stress.stalled": "stalls",
    "stress.lowest": "lowest speed",
    "stress.hunting_percent": "chance of hunting, at least",
    "stress.hunting": "swing at idle, peak to peak",
    "stress.error": "mean error while settled",
    "stress.dip": "deepest below target after a load",
    "stress.undershoot": "deepest below target after a blip",
    "stress.highest": "highest above target",
    "stress.start_flare": "flare after a start",
    "stress.settle": "recovery after a load",
    "stress.moves": "moves of the valve",
    "stress.limited": "time at a trim limit",
    "stress.not_fitted": "none  {name}: not fitted to this car",
    "stress.case": _case,
    "stress.verdict": _verdict,
}
"""By the codes of ``tuning.measures`` and ``tuning.stress_tests``."""
