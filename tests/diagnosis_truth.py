"""What diagnose says of logs whose truth is known, held against that truth: for the test and the bench."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass

from tests.foreign_logs import HUNTS, KINDS, NOT, SETTINGS, STRUCTURES, UNASKED, Made, made, recorded
from tuning.diagnosis import diagnose
from tuning.diagnosis.diagnosing import Diagnosis
from tuning.measures import CANNOT_TELL

BUILDING, REPORTING = 501, 42501
"""First seeds of the two halves: thresholds were set on the first, on those from 2501, 3501, 4501, 6501 and
8501 on, and on every thousand from 22501 to 41501; the second was only looked at, once."""
VARIANTS: tuple[tuple[float, bool, tuple[str, ...]], ...] = (
    (20.0, True, ()), (10.0, True, ("map_kPa",)), (5.0, True, ()), (5.0, True, ("map_kPa", "coolant_degC")),
    (2.5, True, ()), (1.0, True, ()), (20.0, False, ()), (10.0, False, ("map_kPa",)), (2.5, False, ()),
)  # fmt: skip
"""Rows a second, whether the valve was recorded, columns left out."""
EACH = 3
"""Recordings of each log."""
GROUPS = ("valve, 5 Hz and more", "valve, below 5 Hz", "no valve")
AIR_FAULTS = frozenset({"leak", "lost position", "wrong direction", "spark"})
"""None of them is in any log but the reversed ones."""


@dataclass(frozen=True)
class Verdict:
    """One recording and what was said of it."""

    kind: str
    group: str
    truth: str
    answer: str
    cause: str
    false_cause: bool

    @property
    def wrong(self) -> bool:
        """Wrong and sure of it."""
        return self.false_cause or (self.truth, self.answer) in {(HUNTS, NOT), (NOT, HUNTS), (UNASKED, HUNTS)}


def is_false_cause(kind: str, found: Diagnosis) -> bool:
    """Whether it names a cause that is not in the log."""
    if kind == "reversed":
        direction = [one.answer for one in found.findings if one.name == "wrong direction"]
        return direction == ["no"] or found.cause in {"leak", "lost position"}
    outside = kind in {"sine", "misfire"}
    return (
        found.cause in AIR_FAULTS
        or (found.cause == "load cycling" and kind != "loads")
        or (found.cause == "not the valve" and not outside)
    )


def verdicts_on(one: Made, number: int) -> Iterable[Verdict]:
    """Verdicts on some recordings of a log."""
    for turn in range(EACH):
        rate_Hz, valve, left_out = VARIANTS[(3 * number + 2 * turn + number // 7) % len(VARIANTS)]
        found = diagnose(recorded(one.log, rate_Hz, valve, left_out))
        answer = {True: HUNTS, False: NOT, None: CANNOT_TELL}[found.hunting]
        group = GROUPS[2] if not valve else GROUPS[0] if rate_Hz >= 5.0 else GROUPS[1]
        yield Verdict(one.kind, group, one.hunts, answer, found.cause, is_false_cause(one.kind, found))


def log_at(first_seed: int, number: int) -> Made:
    """A log of one half by its number: each setting on an engine of its own of either structure."""
    engine, place = divmod(number, len(KINDS))
    setting, side = divmod(engine, len(STRUCTURES))
    return made(STRUCTURES[side], setting, KINDS[place], first_seed + engine)


def logs_of(first_seed: int, settings: Iterable[int] = range(len(SETTINGS))) -> Iterable[tuple[int, Made]]:
    """All logs of one half, or those of some settings, each with its number."""
    each = len(STRUCTURES) * len(KINDS)
    for number in (setting * each + place for setting in settings for place in range(each)):
        yield number, log_at(first_seed, number)


def table(verdicts: list[Verdict]) -> str:
    """Truth against verdict, with the dullest baselines."""
    count = Counter((one.group, one.truth, one.answer) for one in verdicts)
    rows = ["| recorded | truth | hunts | does not hunt | cannot tell |", "|---|---|---|---|---|"]
    for group in GROUPS:
        for truth in (HUNTS, NOT, "border", UNASKED):
            cells = [count[group, truth, answer] for answer in (HUNTS, NOT, CANNOT_TELL)]
            rows.append(f"| {group} | {truth} | {' | '.join(map(str, cells))} |")
    wrong = sum(one.wrong for one in verdicts)
    false = sum(one.false_cause for one in verdicts)
    clear = Counter(one.truth for one in verdicts)
    rows += [
        f"{len(verdicts)} recordings: {wrong} wrong and sure, {false} of them by their cause;",
        f"'cannot tell' of clear ones with valve at 5 Hz and more: {100.0 * open_share(verdicts):.0f} %;",
        f"of {clear[HUNTS] + clear[NOT]} clear ones always 'does not hunt' would be wrong in {clear[HUNTS]}",
    ]
    return "\n".join(rows)


def open_share(verdicts: list[Verdict]) -> float:
    """Share of 'cannot tell' where the valve was recorded at 5 Hz and more and truth is clear."""
    clear = [one for one in verdicts if one.group == GROUPS[0] and one.truth in {HUNTS, NOT}]
    return sum(one.answer == CANNOT_TELL for one in clear) / len(clear)
