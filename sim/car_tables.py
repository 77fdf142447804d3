"""The tables of a car file, one model each.

Every field states its unit in square brackets and its meaning; the bounds are those within which the
simulation stays well behaved. Where a default or a rule has a source it stands in the description. `Car`,
which joins the tables and checks them against each other, is in `sim.car`.
"""

from __future__ import annotations

from itertools import pairwise
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, model_validator

from sim.friction_limits import friction_fault
from sim.problems import Found, raise_found
from sim.size_estimates import torque_delay_estimate_deg

Real = Annotated[float, Field(strict=True)]
Whole = Annotated[int, Field(strict=True)]
Truth = Annotated[bool, Field(strict=True)]
Text = Annotated[str, Field(strict=True)]

FrictionConstant = Annotated[float, Field(strict=True, ge=0, le=5)]
FrictionSlope = Annotated[float, Field(strict=True, ge=-1, le=2)]
FrictionSquare = Annotated[float, Field(strict=True, ge=-0.2, le=1)]
CylinderFactor = Annotated[float, Field(strict=True, ge=0, le=1.5)]
Position = Annotated[float, Field(strict=True, ge=0, le=400)]
Area = Annotated[float, Field(strict=True, ge=0, le=1000)]
Share = Annotated[float, Field(strict=True, ge=0, le=1)]


class Table(BaseModel):
    """Common rules of all tables: no unknown keys, no infinities, no change once made."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class Identity(Table):
    """Which car it is (table ``[car]``)."""

    name: Text = Field(min_length=1, max_length=80, description="[-] what the car is called")
    note: Text = Field(default="", max_length=4000, description="[-] anything worth remembering")
    basis: Literal["given", "guessed", "fitted"] = Field(
        default="given",
        description="[-] where its numbers come from: given by hand, guessed from a few facts, or"
        " fitted to logs",
    )


class Engine(Table):
    """Size, breathing, friction and unevenness of the engine (table ``[engine]``)."""

    displacement_cm3: Real = Field(ge=50, le=10_000, description="[cm3] swept volume of all cylinders")
    cylinders: Whole = Field(ge=1, le=12, description="[-] number of cylinders, four-stroke")
    compression_ratio: Real = Field(default=9.0, ge=6, le=16, description="[-] compression ratio")
    inertia_kg_m2: Real = Field(
        ge=0.005, le=3, description="[kg m2] crank, flywheel, clutch and pulleys together"
    )
    work_per_air_kJ_per_kg: Real = Field(
        ge=300, le=1600, description="[kJ/kg] indicated work per kg of air at best spark and mixture"
    )
    torque_delay_deg: Real = Field(
        ge=90,
        le=360,
        description="[deg] crank angle from induction to the middle of its torque (180 to 360,"
        " from memory); at most three firing intervals; 270 or that when left out",
    )
    volumetric_efficiency: Real = Field(
        ge=0.3, le=1.2, description="[-] filling of the cylinders, extrapolated to zero speed"
    )
    volumetric_efficiency_per_1000rpm: Real = Field(
        default=0.0, ge=-0.3, le=0.3, description="[per 1000 rpm] change of filling with speed"
    )
    residual_exponent: Real = Field(
        default=1.35,
        ge=1,
        le=1.5,
        description="[-] exponent of the exhaust gas left in the cylinder (1.35: identified engine"
        " of Guzzella & Onder's idle-speed case)",
    )
    friction_bar: tuple[FrictionConstant, FrictionSlope, FrictionSquare] = Field(
        default=(0.97, 0.15, 0.05),
        description="[bar] friction a + b n + c n2, n = rpm/1000, warm (Barnes-Moss in Heywood,"
        " Internal Combustion Engine Fundamentals, 1988, ch. 13)",
    )
    friction_scale: Real = Field(
        default=1.0, ge=0.2, le=3, description="[-] this engine's friction over friction_bar"
    )
    pumping_in_friction: Truth = Field(
        default=True, description="[-] friction_bar includes pumping work (true for the default numbers)"
    )
    scatter_share: Real = Field(
        default=0.08,
        ge=0,
        le=0.4,
        description="[-] standard deviation of the work of one firing over its mean (5 to 10 % at"
        " idle: Heywood ch. 9, from memory)",
    )
    scatter_memory: Real = Field(
        default=0.0, ge=0, le=0.95, description="[-] share of it carried to the next firing"
    )
    cylinder_balance: tuple[CylinderFactor, ...] = Field(
        description="[-] work of each cylinder over the mean, in firing order; all 1 when left out"
    )
    exhaust_kPa: Real | None = Field(
        default=None, ge=50, le=200, description="[kPa] exhaust pressure; ambient when left out"
    )
    stall_rpm: Real = Field(
        default=250.0, ge=100, le=600, description="[rpm] below it the engine has stalled"
    )

    @model_validator(mode="before")
    @classmethod
    def _fill_in(cls, given: Any) -> Any:
        """Fill in what follows from the number of cylinders, when left out."""
        if not isinstance(given, dict):
            return given
        cylinders = given.get("cylinders")
        count = cylinders if type(cylinders) is int and 1 <= cylinders <= 12 else 4
        filled = {"torque_delay_deg": torque_delay_estimate_deg(count), "cylinder_balance": (1.0,) * count}
        return filled | given

    @model_validator(mode="after")
    def _consistent(self) -> Engine:
        raise_found([*self._crank_train(), *self._balance(), *self._speed_dependence()])
        return self

    def _crank_train(self) -> Found:
        """The delay fits the firing order; the flywheel is not too light to integrate."""
        found: Found = []
        longest_deg = 3 * 720.0 / self.cylinders
        if self.torque_delay_deg > longest_deg:
            message = (
                f"too long ({self.torque_delay_deg:g}), allowed: up to three firing intervals,"
                f" {longest_deg:g} deg with {self.cylinders} cylinders"
            )
            found.append((("torque_delay_deg",), message))
        least_inertia = 2e-5 * self.displacement_cm3
        if self.inertia_kg_m2 < least_inertia:
            message = (
                f"too small for the engine ({self.inertia_kg_m2:g}), allowed: at least"
                f" {least_inertia:g} kg m2 for {self.displacement_cm3:g} cm3"
            )
            found.append((("inertia_kg_m2",), message))
        return found

    def _balance(self) -> Found:
        """One factor a cylinder, and an engine that still works."""
        balance = self.cylinder_balance
        if len(balance) != self.cylinders:
            message = (
                f"wrong length ({len(balance)} numbers), allowed: one for each of the"
                f" {self.cylinders} cylinders"
            )
            return [(("cylinder_balance",), message)]
        mean = sum(balance) / self.cylinders
        if mean < 0.5:
            message = f"too small (mean {mean:g}), allowed: a mean of at least 0.5"
            return [(("cylinder_balance",), message)]
        return []

    def _speed_dependence(self) -> Found:
        """Filling and friction keep their sense over the speeds a blip reaches."""
        found: Found = []
        filling = self.volumetric_efficiency + 4 * self.volumetric_efficiency_per_1000rpm
        if not 0.2 <= filling <= 1.5:
            message = f"too steep (filling {filling:g} at 4000 rpm), allowed: 0.2 to 1.5 there"
            found.append((("volumetric_efficiency_per_1000rpm",), message))
        fault = friction_fault(*self.friction_bar)
        if fault:
            found.append((("friction_bar",), fault))
        return found


class Spark(Table):
    """Ignition timing at idle (table ``[spark]``)."""

    base_deg: Real = Field(ge=-20, le=50, description="[deg] spark before top centre at idle")
    cold_deg: Real | None = Field(
        default=None,
        ge=-20,
        le=50,
        description="[deg] spark at idle where the controller reads -20 degC, in a line to"
        " base_deg at 60 degC; as warm when left out",
    )
    best_deg: Real = Field(ge=0, le=60, description="[deg] spark of best torque at idle")
    loss_per_deg2: Real = Field(
        default=2.3e-4,
        ge=1e-4,
        le=1.5e-3,
        description="[per deg2] work lost = this x (distance from best_deg)^2 (2.33e-4: identified"
        " engine of Guzzella & Onder's idle-speed case)",
    )
    advance_deg_per_100rpm: Real = Field(
        default=0.0,
        ge=-20,
        le=20,
        description="[deg per 100 rpm] advance the spark table adds below the target; negative"
        " retards and destabilises",
    )

    @model_validator(mode="after")
    def _consistent(self) -> Spark:
        found: Found = []
        for key, deg in (("base_deg", self.base_deg), ("cold_deg", self.cold_deg)):
            loss = 0.0 if deg is None else self.loss_per_deg2 * (deg - self.best_deg) ** 2
            if loss > 0.6:
                message = (
                    f"too far from best_deg ({deg:g}), allowed: at most 60 % of the work lost"
                    f" (these numbers lose {100 * loss:.0f} %)"
                )
                found.append(((key,), message))
        raise_found(found)
        return self


class Mixture(Table):
    """Mixture at idle and how it is upset by transients (table ``[mixture]``)."""

    lambda_base: Real = Field(
        default=1.0, ge=0.7, le=1.3, description="[-] air over stoichiometric air at idle"
    )
    lambda_cold: Real | None = Field(
        default=None,
        ge=0.6,
        le=1.3,
        description="[-] the same, of what burns, where the controller reads -20 degC, in a line to"
        " lambda_base at 60 degC; as warm when left out",
    )
    lambda_best: Real = Field(
        default=0.9, ge=0.75, le=1.05, description="[-] mixture of most work per kg of air"
    )
    loss: Real = Field(default=2.0, ge=0, le=8, description="[-] work lost = this x (lambda - lambda_best)^2")
    wall_share: Real = Field(
        default=0.0, ge=0, le=0.9, description="[-] share of injected fuel that wets the port wall"
    )
    wall_s: Real = Field(default=0.5, ge=0.05, le=5, description="[s] time constant of the wall film")
    fuelling_lag_s: Real = Field(
        default=0.0, ge=0, le=1, description="[s] lag of the pressure fuelling is computed from"
    )

    @model_validator(mode="after")
    def _consistent(self) -> Mixture:
        found: Found = []
        for key, one in (("lambda_base", self.lambda_base), ("lambda_cold", self.lambda_cold)):
            loss = 0.0 if one is None else self.loss * (one - self.lambda_best) ** 2
            if loss > 0.6:
                message = (
                    f"too far from lambda_best ({one:g}), allowed: at most 60 % of the work lost"
                    f" (these numbers lose {100 * loss:.0f} %)"
                )
                found.append(((key,), message))
        raise_found(found)
        return self


class Manifold(Table):
    """Volume between throttle and inlet valves (table ``[manifold]``)."""

    volume_cm3: Real = Field(
        ge=100, le=20_000, description="[cm3] plenum and runners, from throttle to inlet valves"
    )
    air_degC: Real = Field(
        default=40.0,
        ge=-40,
        le=120,
        description="[degC] air in the manifold, engine warm; as the surroundings when cold",
    )


class Throttle(Table):
    """The throttle plate (table ``[throttle]``); areas are effective, discharge included."""

    leak_mm2: Real = Field(ge=0, le=200, description="[mm2] effective area left open at the throttle stop")
    open_mm2: Real = Field(ge=5, le=10_000, description="[mm2] effective area fully open, for blips")

    @model_validator(mode="after")
    def _consistent(self) -> Throttle:
        if self.open_mm2 <= self.leak_mm2:
            message = f"not above leak_mm2 ({self.open_mm2:g}), allowed: above {self.leak_mm2:g}"
            raise_found([(("open_mm2",), message)])
        return self


class Valve(Table):
    """The bypass valve and its stepper motor (table ``[valve]``).

    Travel shorter than homing or than the open limit, and pulses that skip, are accepted: they are faults a
    real car can have, and the checks and the simulation show them.
    """

    area_mm2: Annotated[tuple[tuple[Position, Area], ...], Field(min_length=2, max_length=60)] = Field(
        description="[steps, mm2] effective area over position, discharge included"
    )
    travel_steps: Whole = Field(
        ge=5, le=400, description="[steps] hard stop when opening, counted from the seat"
    )
    travel_counted: Truth = Field(
        default=True,
        description="[-] travel_steps is known, by counting or from a data sheet; false where it is a guess",
    )
    useful_travel_steps: Whole = Field(
        ge=2, le=400, description="[steps] beyond it more steps stop changing rpm"
    )
    open_limit_steps: Whole = Field(ge=2, le=400, description="[steps] the controller never asks for more")
    pulse_ms: Real = Field(ge=0.2, le=50, description="[ms] coil pulse of one step")
    rest_ms: Real = Field(ge=0, le=50, description="[ms] rest after each pulse")
    pull_in_ms: Real = Field(
        default=3.0,
        ge=0.1,
        le=20,
        description="[ms] shortest pulse that never skips at 12 V and 20 degC (common practice, no source)",
    )
    homing_steps: Whole = Field(
        ge=0, le=1000, description="[steps] driven closed at power-up to find the seat"
    )
    backlash_steps: Real = Field(
        default=0.0, ge=0, le=10, description="[steps] lost in the thread at each reversal"
    )
    series_mm2: Real | None = Field(
        default=None,
        ge=1,
        le=2000,
        description="[mm2] effective area of a hose or inlet in series; none when left out",
    )
    wired_reversed: Truth = Field(
        default=False, description="[-] true when steps meant to open close the valve"
    )

    @property
    def step_ms(self) -> float:
        """Time of one step, pulse and rest [ms]."""
        return self.pulse_ms + self.rest_ms

    @model_validator(mode="after")
    def _consistent(self) -> Valve:
        found: Found = []
        if self.useful_travel_steps > self.travel_steps:
            message = (
                f"beyond the hard stop ({self.useful_travel_steps}), allowed: up to travel_steps,"
                f" {self.travel_steps}"
            )
            found.append((("useful_travel_steps",), message))
        found.extend(self._table_order())
        raise_found(found)
        return self

    def _table_order(self) -> Found:
        """The area table starts at the seat, rises in steps and never falls in area."""
        found: Found = []
        table = self.area_mm2
        if table[0][0] != 0:
            message = f"first point at {table[0][0]:g} steps, allowed: 0 steps there (the seat)"
            found.append((("area_mm2", 0), message))
        for index, (before, here) in enumerate(pairwise(table), start=1):
            if here[0] <= before[0]:
                message = (
                    f"out of order ({here[0]:g} steps after {before[0]:g} steps),"
                    " allowed: steps strictly rising"
                )
                found.append((("area_mm2", index), message))
            if here[1] < before[1]:
                message = (
                    f"area falls ({here[1]:g} mm2 after {before[1]:g} mm2),"
                    " allowed: areas that never fall as the valve opens"
                )
                found.append((("area_mm2", index), message))
        if not found and table[-1][1] <= table[0][1]:
            message = f"never opens ({table[-1][1]:g} mm2 throughout), allowed: a rising area"
            found.append((("area_mm2",), message))
        return found
