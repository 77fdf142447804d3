"""Tables of a car file beside the engine: electrics, loads, sensors, heat, starter, entry form."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, model_validator

from controllers import within
from sim.car_tables import Real, Table, Text, Whole
from sim.problems import raise_found

Resolution = Annotated[float, Field(strict=True, gt=0, le=1000)]
Largest = Annotated[float, Field(strict=True, gt=0, le=1e6)]


class Electrics(Table):
    """Alternator, regulator and battery (table ``[electrics]``)."""

    regulated_V: Real = within(6, 16, "[V] voltage the regulator holds", 13.8)
    battery_ohm: Real = within(0.001, 0.5, "[ohm] inner resistance of battery and cables", 0.02)
    base_W: Real = within(0, 2000, "[W] ignition, injection, pump: always drawn", 200.0)
    alternator_max_W: Real = within(0, 5000, "[W] most the alternator gives at full_rpm", 750.0)
    cut_in_rpm: Real = within(0, 2000, "[rpm] engine speed where charging begins", 550.0)
    full_rpm: Real = within(200, 8000, "[rpm] engine speed of full output", 2700.0)
    efficiency: Real = within(0.2, 0.95, "[-] electrical over mechanical power", 0.55)
    lag_s: Real = within(0.01, 5, "[s] lag of the regulator", 0.2)

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

    lamps_W: Real = within(0, 3000, "[W] headlamps and tail lamps", 0.0)
    fan_W: Real = within(0, 3000, "[W] radiator fan", 0.0)
    screen_W: Real = within(0, 3000, "[W] heated rear window and wipers", 0.0)
    steering_Nm: Real = within(0, 100, "[N m] power steering at full lock, at the crank", 0.0)
    aircon_Nm: Real = within(0, 100, "[N m] air conditioning, at the crank", 0.0)
    gearbox_Nm: Real = within(0, 200, "[N m] drag of an automatic gearbox in gear", 0.0)
    clutch_Nm: Real = within(0, 200, "[N m] clutch drag as the car moves off", 0.0)


class Sensors(Table):
    """What the controller sees of rpm, pressure and temperature (table ``[sensors]``)."""

    rpm_smoothing: Real = within(0, 0.95, "[-] share of the old reading kept at each firing", 0.0)
    rpm_resolution_rpm: Real = within(0, 50, "[rpm] steps in which rpm is read; 0: exact", 0.0)
    rpm_noise_rpm: Real = within(0, 100, "[rpm] standard deviation of reading noise", 0.0)
    map_lag_s: Real = within(0.005, 1, "[s] lag of the manifold pressure reading", 0.05)
    temperature_of: Literal["engine", "oil"] = Field(default="engine", description="[-] what the controller's"
        " temperature sensor sits in: the engine (coolant, or the cylinder head of an air-cooled one) or the"
        " oil")  # fmt: skip
    coolant_lag_s: Real = within(0, 120, "[s] lag of that temperature reading", 5.0)


class Thermal(Table):
    """Warm-up (table ``[thermal]``); numbers left out are estimated from displacement."""

    cooling: Literal["water", "air"] = Field(default="water", description="[-] water or air; with air,"
        " coolant means the cylinder head")  # fmt: skip
    heat_capacity_kJ_per_K: Real = within(0.5, 500, "[kJ/K] metal and coolant that warm together")
    oil_capacity_kJ_per_K: Real = within(0.2, 100, "[kJ/K] oil and sump")
    heat_share_to_coolant: Real = within(0.05, 0.8, "[-] share of the fuel's heat that warms the engine")
    loss_W_per_K: Real = within(0.5, 500, "[W/K] heat lost to the air per kelvin above it")
    thermostat_degC: Real = within(50, 130, "[degC] where warm-up stops: radiator or cooling air opens")
    oil_grade: Text = Field(default="10W-40", pattern=r"^((0|5|10|15|20|25)W-)?(20|30|40|50)$",
        description="[-] SAE J300 grade, such as 10W-40, or 30 for an oil of one grade")  # fmt: skip


class Starter(Table):
    """Starter and battery (table ``[starter]``); numbers left out are estimated."""

    stall_torque_Nm: Real = within(2, 2000, "[N m] starter torque at standstill, at the crank")
    free_rpm: Real = within(100, 800, "[rpm] crank speed at which its torque is gone")
    resting_V: Real = within(5, 14, "[V] battery at rest", 12.6)
    sag_V_per_Nm: Real = within(0, 1, "[V per N m] battery sag with starter torque")

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
        description="[-] what a gain moves: steps, percent of travel_steps, or percent of a duty whose 100"
        " stand for the whole travel",
    )
    gain_time: Literal["per_second", "per_update"] = Field(default="per_second", description="[-] integral"
        " counted per second or per update")  # fmt: skip
    gain_per_rpm: Real = Field(default=100.0, gt=0, le=10_000, description="[rpm] error that one unit of gain"
        " refers to")  # fmt: skip
    sign: Whole = within(-1, 1, "[-] -1 where the controller's error is rpm - target", 1)
    resolution: EntryResolution = Field(default=EntryResolution(), description="[entry] finest step of each"
        " entry")  # fmt: skip
    largest: EntryLargest = Field(default=EntryLargest(), description="[entry] largest value of each entry")

    @model_validator(mode="after")
    def _sign_is_not_zero(self) -> EntryForm:
        if self.sign == 0:
            raise_found([(("sign",), "not a sign (0), allowed: 1 or -1")])
        return self
