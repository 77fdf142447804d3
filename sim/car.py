"""A car: all tables of a car file, checked against each other, read from and written to TOML."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any

from pydantic import BaseModel, Field, model_validator

from controllers import Curves, Feedback
from sim.car_tables import Engine, Identity, Manifold, Mixture, Spark, Table, Throttle, Valve
from sim.equipment_tables import Electrics, EntryForm, Loads, Sensors, Starter, Thermal
from sim.errors import InputError
from sim.files import bundled_folder, find_file, read_text, read_toml, write_beside
from sim.problems import Found, checked, raise_found
from sim.size_estimates import starter_estimates, thermal_estimates
from sim.toml_edit import edited
from sim.toml_text import commented, table_to_toml, toml_value, without_origin

Spread = Annotated[float, Field(strict=True, ge=0, le=1)]

_SMALLEST_MANIFOLD = 0.15
_LARGEST_OPENING = 2.0


class Car(Table):
    """Everything known about a car, by the tables of its file: ``car.engine.displacement_cm3``."""

    car: Identity
    engine: Engine
    spark: Spark
    mixture: Mixture = Mixture()
    manifold: Manifold
    throttle: Throttle
    valve: Valve
    electrics: Electrics = Electrics()
    loads: Loads = Loads()
    sensors: Sensors = Sensors()
    thermal: Thermal
    starter: Starter
    curves: Curves
    feedback: Feedback
    entry_form: EntryForm = EntryForm()
    uncertainty: dict[str, dict[str, Spread]] = Field(
        default={}, description="[-] relative standard deviation of fitted values, [uncertainty.TABLE]"
    )

    @property
    def name(self) -> str:
        """What the car is called."""
        return self.car.name

    @property
    def temperature_name(self) -> str:
        """What the controller's temperature is of: coolant, cylinder head or oil."""
        if self.sensors.temperature_of == "oil":
            return "oil"
        return "cylinder head" if self.thermal.cooling == "air" else "coolant"

    def __hash__(self) -> int:
        """Hash by content, so that cars can key a cache."""
        return hash(self.model_dump_json())

    @model_validator(mode="before")
    @classmethod
    def _fill_in(cls, given: Any) -> Any:
        """Estimate what may be left out of ``[thermal]`` and ``[starter]`` from displacement."""
        if not isinstance(given, Mapping):
            return given
        engine = given.get("engine")
        size = engine.get("displacement_cm3") if isinstance(engine, Mapping) else None
        if isinstance(engine, Engine):
            size = engine.displacement_cm3
        if not isinstance(size, int | float) or not 50 <= size <= 10_000:
            size = 1000.0
        thermal = given.get("thermal", {})
        starter = given.get("starter", {})
        filled = dict(given)
        if isinstance(thermal, Mapping):
            cooling = "air" if thermal.get("cooling") == "air" else "water"
            filled["thermal"] = thermal_estimates(size, cooling) | dict(thermal)
        if isinstance(starter, Mapping):
            filled["starter"] = starter_estimates(size) | dict(starter)
        return filled

    @model_validator(mode="after")
    def _consistent(self) -> Car:
        found: Found = []
        size = self.engine.displacement_cm3
        if self.manifold.volume_cm3 < _SMALLEST_MANIFOLD * size:
            message = (
                f"too small for the engine ({self.manifold.volume_cm3:g}), allowed: at least"
                f" {_SMALLEST_MANIFOLD * size:g} cm3, {_SMALLEST_MANIFOLD:g} x displacement"
            )
            found.append((("manifold", "volume_cm3"), message))
        if self.throttle.open_mm2 > _LARGEST_OPENING * size:
            message = (
                f"too large for the engine ({self.throttle.open_mm2:g}), allowed: up to"
                f" {_LARGEST_OPENING * size:g} mm2 for {size:g} cm3"
            )
            found.append((("throttle", "open_mm2"), message))
        lowest = min(speed for _, speed in self.curves.target_rpm)
        if lowest < self.engine.stall_rpm + 100:
            message = (
                f"too close to stalling ({lowest:g}), allowed: at least"
                f" {self.engine.stall_rpm + 100:g} rpm, engine.stall_rpm + 100"
            )
            found.append((("curves", "target_rpm"), message))
        found.extend(self._uncertainty_names())
        raise_found(found)
        return self

    def _uncertainty_names(self) -> Found:
        """Each uncertainty names a number, or an array of numbers, of this car."""
        found: Found = []
        for table_name, spreads in self.uncertainty.items():
            table = getattr(self, table_name, None) if table_name in _NUMBER_TABLES else None
            if table is None:
                message = f"unknown table, allowed: {', '.join(_NUMBER_TABLES)}"
                found.append((("uncertainty", table_name), message))
                continue
            for key, spread in spreads.items():
                value = getattr(table, key, None) if key in type(table).model_fields else None
                if isinstance(value, bool | str) or value is None:
                    message = f"no number of [{table_name}] ({spread:g}), allowed: a number there"
                    found.append((("uncertainty", table_name, key), message))
        return found


_PREFACE = """\
# evenidle car file. Units stand in each name and in [brackets]; [-] has none.
# A key left out takes its default, or an estimate from the size of the engine.
"""

_NUMBER_TABLES = (
    "engine", "spark", "mixture", "manifold", "throttle", "valve", "electrics", "loads", "sensors",
    "thermal", "starter",
)  # fmt: skip


def cars_folder() -> Path:
    """Folder of the bundled cars: their files and nothing else."""
    return bundled_folder() / "cars"


def load_car(path_or_name: str | Path) -> Car:
    """Read a car file.

    Parameters
    ----------
    path_or_name : str or Path
        Path of a TOML file, or the name of a bundled car such as ``"trials"``.

    Returns
    -------
    Car, checked and unchangeable

    Raises
    ------
    InputError
        With every problem of the file, each with file, line, key, value and what is allowed.
    """
    path = find_file(path_or_name, cars_folder(), "car")
    values, lines = read_toml(path)
    return checked(Car, values, str(path), lines)


def with_values(car: Car, changes: Mapping[str, Mapping[str, object]]) -> Car:
    """Return a car with some values changed, checked as a file would be.

    Parameters
    ----------
    car, changes : Car, mapping
        Such as ``{"feedback": {"gain_steps_per_100rpm": 3.0}}``; what is not allowed is an InputError.

    Returns
    -------
    Car
    """
    values = car.model_dump()
    for table, keys in changes.items():
        values[table] = dict(values.get(table, {})) | dict(keys)
    return checked(Car, values, car.name)


def car_to_toml(car: Car, notes: Mapping[str, str] | None = None) -> str:
    """Return a car file: every key with its unit and meaning beside it.

    Parameters
    ----------
    car : Car
    notes : mapping of ``"table.key"`` to str, optional
        Remarks added to the comments of single keys, such as where a number comes from.

    Returns
    -------
    str, TOML that `load_car` reads back to an equal car
    """
    remarks = notes or {}
    names = [name for name in Car.model_fields if name != "uncertainty"]
    pieces = [_PREFACE, *(table_to_toml(name, getattr(car, name), remarks) for name in names)]
    for table, spreads in car.uncertainty.items():
        heading = f"[uncertainty.{table}]  # relative standard deviations of fitted values\n"
        pieces.append(heading + "".join(f"{key} = {toml_value(s)}\n" for key, s in spreads.items()))
    return "\n".join(pieces)


def save_car(
    car: Car, path: str | Path, notes: Mapping[str, str] | None = None, keep_old: bool = False,
    text_of: str | Path | None = None,
) -> None:  # fmt: skip
    """Write a car file beside and rename it into place; one that was there is unchanged where that fails.

    Where there is a text to go on from, only what differs is changed in it: an owner's comments, order and
    spacing stay.

    Parameters
    ----------
    car, path : Car, str or Path
    notes : mapping of ``"table.key"`` to str, optional
        As for `car_to_toml`; with them the file is written anew.
    keep_old : bool
        Keep a file that was there as ``NAME.bak``.
    text_of : str or Path, optional
        Car file whose text to go on from; the one at ``path`` when left out.
    """
    text = None if notes else _text_kept(car, path if text_of is None else text_of)
    write_beside(path, text or car_to_toml(car, notes), keep_old=keep_old)


def _text_kept(car: Car, path: str | Path) -> str | None:
    """Text of an owner's car file with what differs changed; None where there is none.

    A second round writes what an estimate from a changed displacement would fill in otherwise.
    """
    try:
        place = find_file(path, cars_folder(), "car")
        if place.resolve().parent == cars_folder().resolve():
            return None
        text: str | None = read_text(place)
        for _ in range(2):
            if text is None:
                break
            said = Car.model_validate(tomllib.loads(text))
            if said == car:
                return text
            text = _with_car(text, said, car)
        good = text is not None and Car.model_validate(tomllib.loads(text)) == car
    except (InputError, ValueError):
        return None
    return text if good else None


def _with_car(text: str, said: Car, car: Car) -> str | None:
    """Text that says one car, made to say another."""
    before, after = said.model_dump(), car.model_dump()
    changed = edited(text, before, after, lambda path, value: commented(path[-1], value, _meaning(path)))
    for table, keys in after.items():
        for key in keys if changed else ():
            if keys[key] != before.get(table, {}).get(key, keys[key]):
                changed = without_origin(changed or "", key, _meaning((table, key)))
    return changed


def _meaning(path: tuple[str, ...]) -> str:
    """Unit and meaning of a key; empty for a relative standard deviation of one."""
    model: type[BaseModel] = Car
    for name in path[:-1]:
        inner = model.model_fields[name].annotation
        if not (isinstance(inner, type) and issubclass(inner, BaseModel)):
            return ""
        model = inner
    return model.model_fields[path[-1]].description or ""
