"""The whole job on a bundled car, as ``evenidle demo`` does it."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import Any

import sim
import tuning
from workbench.figures.log import fit_finding
from workbench.figures.stress import stress_finding
from workbench.output.printing import Screen, Tell
from workbench.output.results import check_place, kept_columns
from workbench.report import report
from workbench.sheet.making import make_sheet, refuse_untrusted, write_sheet
from workbench.words.search import tune_finding
from workbench.words.wording import in_words

CAR = "trials"
START_ERROR_steps = 2.0
"""The warm idle begins as its log does: beside the target, which hides nothing [steps]."""
HUNTING_LOG, RECORDING_LOG = "trials_hunting", "trials_recording"


class Job:
    """The steps of the job: each is told, timed, and leaves a section of the report."""

    def __init__(self, screen: Screen, out: Path, seed: int) -> None:
        self.screen = screen
        self.out = out
        self.seed = seed
        self.sections: list[report.Section] = []
        self.seconds: dict[str, float] = {}
        self.files: list[str] = []
        self.results: dict[str, Any] = {}

    @contextmanager
    def step(self, name: str, what: str) -> Iterator[Tell]:
        """Time a step and show its progress."""
        begun = time.monotonic()
        with self.screen.progress(what) as tell:
            yield tell
        self.seconds[name] = time.monotonic() - begun

    def write(self, name: str, write: Callable[[Path], object]) -> None:
        """Write one file into the folder."""
        path = self.out / name
        check_place(path)
        write(path)
        self.files.append(str(path))

    def tell(self, name: str, finding: str, **results: Any) -> None:
        """Tell a finding on the screen, and keep what it is of."""
        self.screen.say(f"{name:<8} {finding}  ({self.seconds[name]:.0f} s)")
        self.results |= results


def run_demo(
    screen: Screen, out: Path, seed: int, own: sim.Car | None = None, log: Path | None = None,
    law: str | None = None,
) -> dict[str, Any]:  # fmt: skip
    """Do the whole job, on the bundled car and its logs or on one's own."""
    job = Job(screen, out, seed)
    begun = time.monotonic()
    car = sim.load_car(CAR) if own is None else own
    screen.caution(car)
    _describe(job, car)
    if own is None:
        _diagnose(job, HUNTING_LOG)
        car = _fit(job, car, RECORDING_LOG)
    elif log is not None:
        car = _own_log(job, car, log)
    refuse_untrusted(car)
    _idle(job, car)
    _explain(job, car)
    tuned = _tune(job, car, own is not None, law)
    _stress(job, tuned)
    _write_up(job, tuned, car)
    total_s = time.monotonic() - begun
    screen.verdict(f"Done in {total_s:.0f} s. Open these, the report first:")
    for name in ("report.html", "report.pdf", "sheet.html", "sheet.pdf"):
        screen.verdict(f"  {out / name}")
    return {
        "car": CAR if own is None else car.name, "seed": seed, "files": job.files,
        "seconds": total_s,
        "step_seconds": job.seconds, **job.results,
    }  # fmt: skip


def _describe(job: Job, car: sim.Car) -> None:
    with job.step("check", "checking the car file"):
        checked = tuning.check(car)
        job.sections += [report.job_section(car), report.car_section(car, checked)]
    bad = sum(line.verdict != "pass" for line in checked.lines)
    job.tell("check", f"{len(checked.lines)} checks, {bad} to look at.", check=checked.to_dict())


def _own_log(job: Job, car: sim.Car, path: Path) -> sim.Car:
    """What one's own log says, and the car fitted to it where it has the valve's steps."""
    _diagnose(job, path, car)
    log = tuning.read_log(path, kept=kept_columns(car))
    if log.valve_steps is None:
        job.screen.say("fit      the log has no valve steps: nothing is fitted, the car is as its file says.")
        return car
    fitted = _fit(job, car, path)
    if job.results["fit"]["trusted"]:
        return fitted
    job.screen.say("fit      not to be trusted: what follows is of the car as its file says.")
    return car


def _diagnose(job: Job, path: Path | str, car: sim.Car | None = None) -> None:
    with job.step("log", "reading its log"):
        log = tuning.read_log(path, kept=kept_columns(car))
        result = tuning.diagnose(log)
        job.sections.append(report.diagnosis_section(log, result))
    job.tell("log", in_words(result.lines()[0]), diagnosis=result.to_dict())


def _fit(job: Job, car: sim.Car, path: Path | str) -> sim.Car:
    with job.step("fit", "fitting the model to a recording") as tell:
        log = tuning.read_log(path, kept=kept_columns(car))
        result = tuning.fit(car, log, seed=job.seed, on_progress=tell)
        job.sections.append(report.fit_section(result))
    job.write("fitted.toml", lambda path: sim.save_car(result.car, path))
    job.tell("fit", fit_finding(result), fit=result.to_dict())
    return result.car


def _idle(job: Job, car: sim.Car) -> None:
    with job.step("idle", "letting it idle"):
        section, hunts = report.idle_section(car, job.seed, START_ERROR_steps)
        job.sections.append(section)
    job.tell("idle", section.text, hunts=hunts)


def _explain(job: Job, car: sim.Car) -> None:
    with job.step("explain", "finding out why") as tell:
        result = tuning.explain(car, seed=job.seed, quick=True, on_progress=tell)
        job.sections.append(report.explain_section(result))
    job.tell("explain", in_words(result.verdict[0]), explain=result.to_dict())


def _tune(job: Job, car: sim.Car, resumable: bool, law: str | None) -> sim.Car:
    with job.step("tune", "searching settings") as tell:
        kept = job.out / "search.journal" if resumable else None
        result = tuning.tune(
            car, law=law, budget="quick", seed=job.seed, storage=kept,
            resume=kept is not None and kept.exists(), on_progress=tell,
        )  # fmt: skip
        job.sections.append(report.search_section(car, result))
    job.write("tuned.toml", lambda path: sim.save_car(result.car, path))
    job.tell("tune", tune_finding(result), tune=result.to_dict())
    return result.car


def _stress(job: Job, car: sim.Car) -> None:
    with job.step("stress", "stressing them") as tell:
        result = tuning.stress(car, seed=job.seed, on_progress=tell)
        job.sections.append(report.stress_section(result))
    job.tell("stress", stress_finding(result), stress=result.to_dict())


def _write_up(job: Job, car: sim.Car, before: sim.Car) -> None:
    with job.step("sheet", "writing it down") as tell:
        sheet = make_sheet(car, seed=job.seed, before=before, on_progress=lambda share, *_: tell(0.4 * share))
        for form in ("html", "pdf", "csv", "json"):
            job.write(f"sheet.{form}", lambda path: write_sheet(sheet, path))
        tell(0.5, "report")
        title = f"The idle of {car.name}"
        for form in ("html", "pdf"):
            job.write(f"report.{form}", partial(report.write_report, title, job.sections, sheet))
    job.tell("sheet", "Sheet and report written.")
