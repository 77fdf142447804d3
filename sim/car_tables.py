"""The tables of a car file, one model each; `sim.car` joins them and checks them against each other.

Every field states its unit in square brackets, its meaning and, where it has one, its source; the bounds are
those within which the simulation stays well behaved.
"""

from __future__ import annotations

from itertools import pairwise
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, model_validator

from controllers import within
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


class Table(BaseModel):
    """Common rules of all tables: no unknown keys, no infinities, no change once made."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class Identity(Table):
    """Which car it is (table ``[car]``)."""

    name: Text = Field(min_length=1, max_length=80, description="[-] what the car is called")
    note: Text = Field(default="", max_length=4000, description="[-] anything worth remembering")
    log_columns: Text = Field(default="", max_length=2000, description="[-] which columns of its logs hold"
        " what, as --columns takes it: rpm=Engine Speed, map=Pressure [inHg]")  # fmt: skip
    basis: Literal["given", "guessed", "fitted"] = Field(default="given", description="[-] where its numbers"
        " come from: given by hand, guessed from a few facts, or fitted to logs")  # fmt: skip
    fit_verdict: Literal["none", "trusted", "not trusted"] = Field(default="none", description="[-] what the"
        " fit said of itself; none where nothing was fitted, or its file did not say")  # fmt: skip
    fit_doubts: Text = Field(default="", max_length=400, description="[-] questions about the fit that speak"
        " against it; empty where none does")  # fmt: skip
    fitted_steps: tuple[Real, Real] | None = Field(default=None, description="[steps] lowest and highest"
        " valve position in what it was fitted to")  # fmt: skip
    fitted_degC: tuple[Real, Real] | None = Field(default=None, description="[degC] coldest and warmest"
        " there, where temperature was recorded")  # fmt: skip


class Engine(Table):
    """Size, breathing, friction and unevenness of the engine (table ``[engine]``)."""

    displacement_cm3: Real = within(50, 10_000, "[cm3] swept volume of all cylinders")
    cylinders: Whole = within(1, 12, "[-] number of cylinders, four-stroke")
    compression_ratio: Real = within(6, 16, "[-] compression ratio", 9.0)
    inertia_kg_m2: Real = within(0.005, 3, "[kg m2] crank, flywheel, clutch and pulleys together")
    work_per_air_kJ_per_kg: Real = within(300, 1600, "[kJ/kg] indicated work per kg of air at best spark and"
        " mixture")  # fmt: skip
    torque_delay_deg: Real = within(90, 360, "[deg] crank angle from induction to the middle of its torque"
        " (180 to 360, from memory); at most three firing intervals; 270 or that when left out")  # fmt: skip
    volumetric_efficiency: Real = within(0.3, 1.2, "[-] filling of the cylinders, extrapolated to zero speed")
    volumetric_efficiency_per_1000rpm: Real = within(
        -0.3, 0.3, "[per 1000 rpm] change of filling with speed", 0.0
    )
    residual_exponent: Real = within(1, 1.5, "[-] exponent of the exhaust gas left in the cylinder (1.35:"
        " identified engine of Guzzella & Onder's idle-speed case)", 1.35)  # fmt: skip
    friction_bar: tuple[FrictionConstant, FrictionSlope, FrictionSquare] = Field(
        default=(0.97, 0.15, 0.05),
        description="[bar] friction a + b n + c n2, n = rpm/1000, warm (Barnes-Moss in Heywood, Internal"
        " Combustion Engine Fundamentals, 1988, ch. 13)",
    )
    friction_scale: Real = within(0.2, 3, "[-] this engine's friction over friction_bar", 1.0)
    pumping_in_friction: Truth = Field(default=True, description="[-] friction_bar includes pumping work"
        " (true for the default numbers)")  # fmt: skip
    scatter_share: Real = within(0, 0.4, "[-] combustion variation: deviation of a firing's work over the"
        " mean (5 to 10 % at idle: Heywood ch. 9, from memory)", 0.08)  # fmt: skip
    scatter_memory: Real = within(0, 0.95, "[-] share of it carried to the next firing", 0.0)
    cylinder_balance: tuple[CylinderFactor, ...] = Field(description="[-] work of each cylinder over the"
        " mean, in firing order; all 1 when left out")  # fmt: skip
    exhaust_kPa: Real | None = within(50, 200, "[kPa] exhaust pressure; ambient when left out", None)
    stall_rpm: Real = within(100, 600, "[rpm] below it the engine has stalled", 250.0)

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

    base_deg: Real = within(-20, 50, "[deg] spark before top centre at idle")
    cold_deg: Real | None = within(-20, 50, "[deg] spark at idle where the controller reads -20 degC, in a"
        " line to base_deg at 60 degC; as warm when left out", None)  # fmt: skip
    best_deg: Real = within(0, 60, "[deg] spark of best torque at idle")
    loss_per_deg2: Real = within(1e-4, 1.5e-3, "[per deg2] work lost = this x (distance from best_deg)^2"
        " (2.33e-4: identified engine of Guzzella & Onder's idle-speed case)", 2.3e-4)  # fmt: skip
    advance_deg_per_100rpm: Real = within(-20, 20, "[deg per 100 rpm] advance the spark table adds below the"
        " target; negative retards and destabilises", 0.0)  # fmt: skip

    @property
    def advance_deg_per_rpm(self) -> float:
        """Advance that the spark table adds below the target [deg/rpm]."""
        return self.advance_deg_per_100rpm / 100.0

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

    lambda_base: Real = within(0.7, 1.3, "[-] air over stoichiometric air at idle", 1.0)
    lambda_cold: Real | None = within(0.6, 1.3, "[-] the same, of what burns, where the controller reads -20"
        " degC, in a line to lambda_base at 60 degC; as warm when left out", None)  # fmt: skip
    lambda_best: Real = within(0.75, 1.05, "[-] mixture of most work per kg of air", 0.9)
    loss: Real = within(0, 8, "[-] work lost = this x (lambda - lambda_best)^2", 2.0)
    wall_share: Real = within(0, 0.9, "[-] share of injected fuel that wets the port wall", 0.0)
    wall_s: Real = within(0.05, 5, "[s] time constant of the wall film", 0.5)
    fuelling_lag_s: Real = within(0, 1, "[s] lag of the pressure fuelling is computed from", 0.0)

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

    volume_cm3: Real = within(100, 20_000, "[cm3] plenum and runners, from throttle to inlet valves")
    air_degC: Real = within(
        -40, 120, "[degC] air in the manifold, engine warm; as the surroundings when cold", 40.0
    )


class Throttle(Table):
    """The throttle plate (table ``[throttle]``); areas are effective, discharge included."""

    leak_mm2: Real = within(0, 200, "[mm2] effective area left open at the throttle stop")
    open_mm2: Real = within(5, 10_000, "[mm2] effective area fully open, for blips")

    @model_validator(mode="after")
    def _consistent(self) -> Throttle:
        if self.open_mm2 <= self.leak_mm2:
            message = f"not above leak_mm2 ({self.open_mm2:g}), allowed: above {self.leak_mm2:g}"
            raise_found([(("open_mm2",), message)])
        return self


class Valve(Table):
    """The bypass valve and its stepper motor (table ``[valve]``).

    Travel shorter than homing or than the open limit, and pulses that skip, are accepted: a real car can have
    them.
    """

    area_mm2: Annotated[tuple[tuple[Position, Area], ...], Field(min_length=2, max_length=60)] = Field(
        description="[steps, mm2] effective area over position, discharge included"
    )
    travel_steps: Whole = within(5, 400, "[steps] hard stop when opening, counted from the seat")
    travel_counted: Truth = Field(default=True, description="[-] travel_steps is known, by counting or from a"
        " data sheet; false where it is a guess")  # fmt: skip
    useful_travel_steps: Whole = within(2, 400, "[steps] beyond it more steps stop changing rpm")
    open_limit_steps: Whole = within(2, 400, "[steps] the controller never asks for more")
    pulse_ms: Real = within(0.2, 50, "[ms] coil pulse of one step")
    rest_ms: Real = within(0, 50, "[ms] rest after each pulse")
    pull_in_ms: Real = within(0.1, 20, "[ms] shortest pulse that never skips at 12 V and 20 degC (common"
        " practice, no source)", 3.0)  # fmt: skip
    homing_steps: Whole = within(0, 1000, "[steps] driven closed at power-up to find the seat")
    backlash_steps: Real = within(0, 10, "[steps] lost in the thread at each reversal", 0.0)
    series_mm2: Real | None = within(1, 2000, "[mm2] effective area of a hose or inlet in series; none when"
        " left out", None)  # fmt: skip
    wired_reversed: Truth = Field(default=False, description="[-] true when steps meant to open close the"
        " valve")  # fmt: skip

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
