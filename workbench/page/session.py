"""What one tab of the browser works on: a car, its file, its job and what jobs have found."""

from __future__ import annotations

import hashlib
import re
import secrets
import tempfile
import threading
from collections import OrderedDict
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import sim
from workbench.page.car_file import CarFile, Draft, Drafts
from workbench.page.jobs import Job
from workbench.page.wish import Wish
from workbench.words.facts import completed, estimated

MOST_SESSIONS = 40
FIRST_CAR = "trials"
WARM_degC = 90.0
_NOT_IN_NAMES = re.compile(r'[\x00-\x1f\x7f<>:"/|?*]')
LONGEST_NAME = 60  # Letters of a file's name that are kept: in any script they fit into 255 bytes.


@dataclass
class Session:
    """One tab's work; it outlives a reload of the tab."""

    key: str  # part of the address of the tab
    seed: int
    name: str  # what was opened: name of a bundled car, or path of a file
    car: sim.Car  # as it is now, with the settings explored
    saved: sim.Car  # as it was when it was opened, or saved last
    file: CarFile | None  # where changes are saved when the owner says so; none until one was opened or named
    wish: Wish
    tab: str = "Explore"
    imperial: bool = False
    dark: bool | None = None  # none: as the system has it
    pinned: sim.Car | None = None  # to be compared with
    steps: list[sim.Car] = field(default_factory=list)  # that can be gone back to, and which is the present
    at: int = -1
    job: Job | None = None  # the last one, running or ended
    found: dict[str, Any] = field(default_factory=dict)  # by jobs, by kind
    found_of: dict[str, object] = field(default_factory=dict)  # what each was asked about
    logs: list[Path] = field(default_factory=list)  # taken in, the newest last
    folder: Any = None  # where they lie; gone when the work is forgotten
    begun: bool = False  # whether one of the ways to begin was taken
    pages: list[Any] = field(default_factory=list)  # more than one where its address is open twice

    @property
    def busy(self) -> bool:
        """Whether its job runs."""
        return self.job is not None and not self.job.ended

    @property
    def changed(self) -> bool:
        """Whether there is something to save."""
        return self.car != self.saved

    def change(self, table: str, **values: object) -> None:
        """Change values of one table of the car."""
        self.car = sim.with_values(self.car, {table: values})

    def open(self, name: str) -> None:
        """Take up another car; a job for the one before is ended, and what was found of it goes."""
        try:
            path = Path(name).expanduser()
        except RuntimeError:
            raise sim.one_problem(name, 1, "file", "no such folder, allowed: a car file") from None
        # A bundled car is nobody's own, by whatever name it was opened.
        bundled = name in sim.bundled_cars() or path.resolve().parent == sim.cars_folder().resolve()
        car = sim.load_car(name if name in sim.bundled_cars() else path)
        self.file = None if bundled else CarFile(path.resolve())
        self.name, self.car, self.saved, self.pinned = name, car, car, None
        self.steps, self.at = [car], 0
        self.wish = Wish(WARM_degC, car.engine.scatter_share)
        if self.job is not None and self.busy:
            threading.Thread(target=self.job.end_now, daemon=True).start()
        self.job, self.found, self.found_of, self.logs = None, {}, {}, []

    def open_copy(self, path: Path) -> None:
        """Take up a car from a copy of a file whose own place nobody knows: 'Save as' gives it one."""
        self.open(str(path))
        self.name, self.file = path.name, None

    def place_for(self, name: str, folder: str = "") -> Path:
        """Find a place, gone when the work is forgotten, for a file from elsewhere, whatever it is called."""
        if self.folder is None:
            self.folder = tempfile.TemporaryDirectory(ignore_cleanup_errors=True)
        return place_in(Path(self.folder.name) / folder, name)

    def take_in(self, job: Job) -> None:
        """Keep what a job has found, once; shown or not, it outlives the next job."""
        if self.found.get(job.kind) is not job.result:
            self.found[job.kind], self.found_of[job.kind] = job.result, job.about

    def save(self) -> None:
        """Write changes into the car's file, if there are some; 'Back to saved' goes back to them."""
        if self.file is None:
            raise sim.one_problem("save", 1, "file", "no file named, allowed: the name of a new file")
        if self.changed:
            self.file.write(self.car)
            self.saved = self.car

    def save_as(self, name: str) -> None:
        """Write the car into a new file, which holds it from now on."""
        of = None if self.file is None else self.file.path
        self.file = CarFile.new(name, self.car, of)
        self.name = str(self.file.path)
        self.saved = self.car

    def describe(self, name: str, given: Mapping[str, str | None], cooling: str) -> None:
        """Take up a car made from a few facts, in a new file."""
        facts, _ = completed(given)
        car, why = estimated(facts, Path(name).stem, cooling)
        self.open(str(CarFile.new(name, car, why=why).path))

    def settle(self) -> None:
        """Make the car as it is now a step that can be gone back to."""
        if self.at < 0 or self.steps[self.at] != self.car:
            self.steps[self.at + 1 :] = [self.car]
            self.at += 1

    def step(self, by: int) -> None:
        """Go back, or forward again."""
        self.settle()
        self.at = min(max(self.at + by, 0), len(self.steps) - 1)
        self.car = self.steps[self.at]

    def take_back(self) -> None:
        """Return to the car as it was opened or saved last."""
        self.car = self.saved


def place_in(folder: Path, name: str) -> Path:
    """Find a place in a folder of our own for a file, whatever it is called."""
    named = Path(name.replace("\\", "/")).name
    own = folder / hashlib.sha256(named.encode("utf-8", "replace")).hexdigest()[:16]
    own.mkdir(parents=True, exist_ok=True)
    return own / (_NOT_IN_NAMES.sub("_", named)[-LONGEST_NAME:].lstrip(".") or "unnamed")


class Sessions:
    """All tabs of all browsers that this server has met."""

    def __init__(self, seed: int, drafts: Drafts | None = None) -> None:
        self._seed, self._drafts = seed, drafts
        self._held: OrderedDict[str, Session] = OrderedDict()

    def begin(self) -> Session:
        """Begin a new one with the first bundled car."""
        car = sim.load_car(FIRST_CAR)
        key = secrets.token_urlsafe(9)
        made = Session(key, self._seed, FIRST_CAR, car, car, None, Wish(WARM_degC, car.engine.scatter_share))
        made.settle()
        self._held[key] = made
        idle = [k for k, one in self._held.items() if k != key and not one.changed and not one.busy]
        for old in idle[: max(0, len(self._held) - MOST_SESSIONS)]:
            del self._held[old]
        return made

    def get(self, key: str) -> Session | None:
        """Find one."""
        return self._held.get(key)

    def keep_draft(self, session: Session) -> None:
        """Keep changes of a work beside the owner's file, or forget them once they are saved."""
        if self._drafts is None:
            return
        if session.changed:
            self._drafts.keep(session.key, session.name, session.car)
        else:
            self._drafts.drop(session.key)

    def drafts(self) -> list[Draft]:
        """Changes that nobody has saved, of works that no page of this server has open."""
        shown = {key for key, one in self._held.items() if any(not p.is_gone for p in one.pages)}
        found = [] if self._drafts is None else self._drafts.listed()
        return [one for one in found if one.key not in shown]

    def take_up(self, session: Session, draft: Draft) -> None:
        """Open in a work what a draft was of, with its changes."""
        if self._drafts is not None:
            car = self._drafts.car(draft)
            session.open(draft.opened)
            session.car = car
            self.keep_draft(session)
            self._drafts.drop(draft.key)

    def stop_all(self) -> None:
        """Keep what is not saved yet and end every job, when the server ends."""
        for one in self._held.values():
            self.keep_draft(one)
            if one.job is not None:
                one.job.end_now()
