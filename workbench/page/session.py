"""What one tab of the browser works on: a car, its file, its job and what jobs have found."""

from __future__ import annotations

import hashlib
import re
import secrets
from collections import OrderedDict
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from sim import Car, car_to_toml, load_car, save_car, with_values
from sim.files import bundled_names, one_problem
from workbench.page.jobs import Job
from workbench.page.live import Wish

MOST_SESSIONS = 40
FIRST_CAR = "trials"
WARM_degC = 90.0


@dataclass
class Session:
    """One tab's work; it outlives a reload of the tab.

    Attributes
    ----------
    key : str
        Part of the address of the tab.
    seed : int
        Seed of everything random.
    name : str
        What was opened: name of a bundled car, or path of a file.
    car : Car
        As it is now, with the settings explored.
    opened : Car
        As it was when last read or saved.
    file : Path or None
        Where it is saved; None until the owner has named a file.
    wish : Wish
        What is supposed of the engine in Explore.
    tab : str
        The tab of the page that is open.
    imperial : bool
        Whether temperatures and pressures are shown in degF and inHg.
    dark : bool or None
        None: as the system has it.
    job : Job or None
        The last job, running or ended.
    found : dict
        What jobs have found, by kind.
    logs : list of Path
        Logs taken in, the newest last.
    folder : TemporaryDirectory or None
        Where they lie; gone when the work is forgotten.
    """

    key: str
    seed: int
    name: str
    car: Car
    opened: Car
    file: Path | None
    wish: Wish
    tab: str = "Explore"
    imperial: bool = False
    dark: bool | None = None
    job: Job | None = None
    found: dict[str, Any] = field(default_factory=dict)
    logs: list[Path] = field(default_factory=list)
    folder: Any = None
    _known: str = ""
    _backed_up: bool = False

    @property
    def changed(self) -> bool:
        """Whether there is something to save."""
        return self.car != self.opened

    def change(self, table: str, **values: object) -> None:
        """Change values of one table of the car.

        Parameters
        ----------
        table : str
            Name of the table, such as "feedback".
        **values : object
            New values by key.

        Raises
        ------
        InputError
            If a value is not allowed; the car is as it was.
        """
        self.car = with_values(self.car, {table: values})

    def open(self, name: str) -> None:
        """Take up another car.

        Parameters
        ----------
        name : str
            Name of a bundled car, or path of a car file.

        Raises
        ------
        InputError
            If it cannot be read; the work is as it was.
        """
        path = Path(name).expanduser()
        bundled = name in bundled_cars()
        car = load_car(name if bundled else path)
        self.name, self.car, self.opened = name, car, car
        self.file = None if bundled else path.resolve()
        self.wish = Wish(WARM_degC, car.engine.scatter_share)
        self.found, self._backed_up = {}, False
        self._known = "" if self.file is None else digest(self.file)

    def save(self, name: str | None = None) -> Path:
        """Write the car into its file, the file as it was opened kept beside it as ``NAME.bak``.

        Parameters
        ----------
        name : str, optional
            A new file to write to from now on; the present one when left out.

        Returns
        -------
        Path
            The file.

        Raises
        ------
        InputError
            If the place cannot be written, holds another file, or its file was changed by
            somebody else since it was read.
        """
        if name is not None and Path(name).expanduser().resolve() != self.file:
            path = _new_place(name)
            save_car(self.car, path)
            self.file, self.name, self._backed_up = path, str(path), True
        elif self.file is None:
            raise one_problem("save", 1, "file", "no file named, allowed: the name of a new file")
        else:
            if self.file.exists() and digest(self.file) != self._known:
                message = "was changed by something else since, allowed: another name"
                raise one_problem(self.file.name, 1, "file", message)
            # The backup is what the owner opened, not what was saved a minute ago.
            save_car(self.car, self.file, keep_old=not self._backed_up)
            self._backed_up = True
        self.opened, self._known = self.car, digest(self.file)
        return self.file

    def take_back(self) -> None:
        """Return to the car as it was opened or last saved."""
        self.car = self.opened


class Sessions:
    """All tabs of all browsers that this server has met.

    Parameters
    ----------
    seed : int
        Seed of everything random.
    """

    def __init__(self, seed: int) -> None:
        self._seed = seed
        self._held: OrderedDict[str, Session] = OrderedDict()

    def begin(self) -> Session:
        """Begin a new one with the first bundled car.

        Returns
        -------
        Session
            The new one; the oldest without a running job is forgotten where there are too many.
        """
        car = load_car(FIRST_CAR)
        key = secrets.token_urlsafe(9)
        wish = Wish(WARM_degC, car.engine.scatter_share)
        made = Session(key, self._seed, FIRST_CAR, car, car, None, wish)
        self._held[key] = made
        idle = [k for k, one in self._held.items() if one.job is None or one.job.ended]
        for old in idle[: max(0, len(self._held) - MOST_SESSIONS)]:
            del self._held[old]
        return made

    def get(self, key: str) -> Session | None:
        """Find one.

        Parameters
        ----------
        key : str
            Its part of the address.

        Returns
        -------
        Session or None
            None if there is none.
        """
        return self._held.get(key)

    def stop_all(self) -> None:
        """End every job, when the server ends."""
        for one in self._held.values():
            if one.job is not None:
                one.job.end_now()


def bundled_cars() -> list[str]:
    """Names of the cars that come with evenidle.

    Returns
    -------
    list of str
        Sorted.
    """
    from sim.car import cars_folder

    return bundled_names(cars_folder())


def digest(path: Path) -> str:
    """Digest of a file's content.

    Parameters
    ----------
    path : Path
        The file.

    Returns
    -------
    str
        Hexadecimal digits.
    """
    return hashlib.sha256(path.read_bytes()).hexdigest()


def file_text(session: Session) -> str:
    """The car file as it would be saved.

    Parameters
    ----------
    session : Session
        The work.

    Returns
    -------
    str
        TOML.
    """
    return car_to_toml(session.car)


def _new_place(name: str) -> Path:
    """The path of a new car file, refused where a file is already."""
    path = Path(name.strip()).expanduser()
    if not re.search(r"\.toml$", path.name, re.IGNORECASE):
        raise one_problem(path, 1, "file", "no car file's name, allowed: one ending in .toml")
    if path.exists():
        raise one_problem(path, 1, "file", "is there already, allowed: a new name")
    return path.resolve()
