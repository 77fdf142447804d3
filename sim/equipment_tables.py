"""Tables of a car file beside the engine: electrics, loads, sensors, heat, starter, entry form."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, model_validator

from sim.car_tables import Real, Table, Text, Whole
from sim.problems import raise_found

Resolution = Annotated[float, Field(strict=True, gt=0, le=1000)]
Largest = Annotated[float, Field(strict=True, gt=0, le=1e6)]


class Electrics(Table):
    """Alternator, regulator and battery (table ``[electrics]``)."""

    regulated_V: Real = Field(default=13.8, ge=6, le=16, description="[V] voltage the regulator holds")
    battery_ohm: Real = Field(
        default=0.02, ge=0.001, le=0.5, description="[ohm] inner resistance of battery and cables"
    )
    base_W: Real = Field(
        default=200.0, ge=0, le=2000, description="[W] ignition, injection, pump: always drawn"
    )
    alternator_max_W: Real = Field(
        default=750.0, ge=0, le=5000, description="[W] most the alternator gives at full_rpm"
    )
    cut_in_rpm: Real = Field(
        default=550.0, ge=0, le=2000, description="[rpm] engine speed where charging begins"
    )
    full_rpm: Real = Field(default=2700.0, ge=200, le=8000, description="[rpm] engine speed of full output")
    efficiency: Real = Field(
        default=0.55, ge=0.2, le=0.95, description="[-] electrical over mechanical power"
    )
    lag_s: Real = Field(default=0.2, ge=0.01, le=5, description="[s] lag of the regulator")

    @model_validator(mode="after")
    def _consistent(self) -> Electrics:
        if self.full_rpm < self.cut_in_rpm + 100:
            message = (
                f"not above cut_in_rpm ({self.full_rpm:g}), allowed: at least"
                f" {self.cut_in_rpm + 100:g} (cut_in_rpm + 100)"
            )
            raise_found([(("full_rpm",), message)])
        return self


class Loads(Table):
    """What the car can switch on (table ``[loads]``); 0 means not fitted."""

    lamps_W: Real = Field(default=0.0, ge=0, le=3000, description="[W] headlamps and tail lamps")
    fan_W: Real = Field(default=0.0, ge=0, le=3000, description="[W] radiator fan")
    screen_W: Real = Field(default=0.0, ge=0, le=3000, description="[W] heated screen and wipers")
    steering_Nm: Real = Field(
        default=0.0, ge=0, le=100, description="[N m] power steering at full lock, at the crank"
    )
    aircon_Nm: Real = Field(default=0.0, ge=0, le=100, description="[N m] air conditioning, at the crank")
    gearbox_Nm: Real = Field(
        default=0.0, ge=0, le=200, description="[N m] drag of an automatic gearbox in gear"
    )
    clutch_Nm: Real = Field(default=0.0, ge=0, le=200, description="[N m] clutch drag as the car moves off")


class Sensors(Table):
    """What the controller sees of rpm, pressure and temperature (table ``[sensors]``)."""

    rpm_smoothing: Real = Field(
        default=0.0, ge=0, le=0.95, description="[-] share of the old reading kept at each firing"
    )
    rpm_resolution_rpm: Real = Field(
        default=0.0, ge=0, le=50, description="[rpm] steps in which rpm is read; 0: exact"
    )
    rpm_noise_rpm: Real = Field(
        default=0.0, ge=0, le=100, description="[rpm] standard deviation of reading noise"
    )
    map_lag_s: Real = Field(
        default=0.05, ge=0.005, le=1, description="[s] lag of the manifold pressure reading"
    )
    temperature_of: Literal["engine", "oil"] = Field(
        default="engine",
        description="[-] what the controller's temperature sensor sits in: the engine (coolant, or"
        " the cylinder head of an air-cooled one) or the oil",
    )
    coolant_lag_s: Real = Field(default=5.0, ge=0, le=120, description="[s] lag of that temperature reading")


class Thermal(Table):
    """Warm-up (table ``[thermal]``); numbers left out are estimated from displacement."""

    cooling: Literal["water", "air"] = Field(
        default="water", description="[-] water or air; with air, coolant means the cylinder head"
    )
    heat_capacity_kJ_per_K: Real = Field(
        ge=0.5, le=500, description="[kJ/K] metal and coolant that warm together"
    )
    oil_capacity_kJ_per_K: Real = Field(ge=0.2, le=100, description="[kJ/K] oil and sump")
    heat_share_to_coolant: Real = Field(
        ge=0.05, le=0.8, description="[-] share of the fuel's heat that warms the engine"
    )
    loss_W_per_K: Real = Field(ge=0.5, le=500, description="[W/K] heat lost to the air per kelvin above it")
    thermostat_degC: Real = Field(
        ge=50, le=130, description="[degC] where warm-up stops: radiator or cooling air opens"
    )
    oil_grade: Text = Field(
        default="10W-40",
        pattern=r"^((0|5|10|15|20|25)W-)?(20|30|40|50)$",
        description="[-] SAE J300 grade, such as 10W-40, or 30 for an oil of one grade",
    )


class Starter(Table):
    """Starter and battery (table ``[starter]``); numbers left out are estimated."""

    stall_torque_Nm: Real = Field(
        ge=2, le=2000, description="[N m] starter torque at standstill, at the crank"
    )
    free_rpm: Real = Field(ge=100, le=800, description="[rpm] crank speed at which its torque is gone")
    resting_V: Real = Field(default=12.6, ge=5, le=14, description="[V] battery at rest")
    sag_V_per_Nm: Real = Field(ge=0, le=1, description="[V per N m] battery sag with starter torque")

    @model_validator(mode="after")
    def _consistent(self) -> Starter:
        sag_V = self.sag_V_per_Nm * self.stall_torque_Nm
        if sag_V > 0.7 * self.resting_V:
            message = (
                f"battery would collapse ({sag_V:.1f} V of sag at standstill), allowed: up to"
                f" {0.7 * self.resting_V:.1f} V, sag_V_per_Nm x stall_torque_Nm"
            )
            raise_found([(("sag_V_per_Nm",), message)])
        return self


class EntryResolution(Table):
    """Finest step of each entry of the controller, in the controller's own form."""

    gain_steps_per_100rpm: Resolution = Field(default=0.1, description="[entry] gain")
    integral_steps_per_100rpm_s: Resolution = Field(default=0.1, description="[entry] integral")
    derivative_steps_s_per_100rpm: Resolution = Field(default=0.1, description="[entry] derivative")
    deadband_rpm: Resolution = Field(default=1.0, description="[rpm] deadband")
    min_move_steps: Resolution = Field(default=1.0, description="[entry] minimum move")
    update_period_ms: Resolution = Field(default=1.0, description="[ms] update period")
    trim_limit_steps: Resolution = Field(default=1.0, description="[entry] trim limits")
    enable_above_target_rpm: Resolution = Field(default=1.0, description="[rpm] enable limit")


class EntryLargest(Table):
    """Largest value each entry of the controller takes, in the controller's own form."""

    gain_steps_per_100rpm: Largest = Field(default=100.0, description="[entry] gain")
    integral_steps_per_100rpm_s: Largest = Field(default=100.0, description="[entry] integral")
    derivative_steps_s_per_100rpm: Largest = Field(default=100.0, description="[entry] derivative")
    deadband_rpm: Largest = Field(default=250.0, description="[rpm] deadband")
    min_move_steps: Largest = Field(default=50.0, description="[entry] minimum move")
    update_period_ms: Largest = Field(default=5000.0, description="[ms] update period")
    trim_limit_steps: Largest = Field(default=100.0, description="[entry] trim limits, either way")
    enable_above_target_rpm: Largest = Field(default=2000.0, description="[rpm] enable limit")


class EntryForm(Table):
    """How the car's controller wants its numbers entered (table ``[entry_form]``)."""

    output_unit: Literal["steps", "percent_of_travel", "duty_percent"] = Field(
        default="steps",
        description="[-] what a gain moves: steps, percent of travel_steps, or percent of a duty"
        " whose 100 stand for the whole travel",
    )
    gain_time: Literal["per_second", "per_update"] = Field(
        default="per_second", description="[-] integral counted per second or per update"
    )
    gain_per_rpm: Real = Field(
        default=100.0, gt=0, le=10_000, description="[rpm] error that one unit of gain refers to"
    )
    sign: Whole = Field(
        default=1, ge=-1, le=1, description="[-] -1 where the controller's error is rpm - target"
    )
    resolution: EntryResolution = Field(
        default=EntryResolution(), description="[entry] finest step of each entry"
    )
    largest: EntryLargest = Field(default=EntryLargest(), description="[entry] largest value of each entry")

    @model_validator(mode="after")
    def _sign_is_not_zero(self) -> EntryForm:
        if self.sign == 0:
            raise_found([(("sign",), "not a sign (0), allowed: 1 or -1")])
        return self
