"""What a controller can be told: tables ``[feedback]`` and ``[curves]`` of the car file.

Every field states its unit in square brackets, its meaning and, where it has one, its source.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, field_validator
from pydantic_core import PydanticCustomError

Law = Literal["none", "pi", "pid", "nudge", "pi_park"]

_STRICT = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

Real = Annotated[float, Field(strict=True)]
Whole = Annotated[int, Field(strict=True)]
Temperature = Annotated[float, Field(strict=True, ge=-60, le=200)]
Steps = Annotated[float, Field(strict=True, ge=0, le=400)]
Speed = Annotated[float, Field(strict=True, ge=200, le=4000)]
Trim = Annotated[float, Field(strict=True, ge=-400, le=400)]

StepsCurve = Annotated[tuple[tuple[Temperature, Steps], ...], Field(min_length=2, max_length=40)]
SpeedCurve = Annotated[tuple[tuple[Temperature, Speed], ...], Field(min_length=2, max_length=40)]

HUNDRED = 100.0
"""The file gives gains for 100 rpm or 100 W, laws take them for one: divided here, nowhere else."""


def within(low: float, high: float, meaning: str, default: Any = ...) -> Any:
    """A number of a car file's table, both ends allowed.

    Parameters
    ----------
    low, high, meaning, default : float, str, Any
        Its ends; unit in square brackets, and what it is; needed in the file without one.

    Returns
    -------
    pydantic.fields.FieldInfo
    """
    return Field(default, ge=low, le=high, description=meaning)


class GainsForOneRpm:
    """Gains as laws and theory take them, of whatever has them as the file gives them."""

    if TYPE_CHECKING:  # else they would be fields of a model, before its own
        gain_steps_per_100rpm: float
        integral_steps_per_100rpm_s: float
        derivative_steps_s_per_100rpm: float

    @property
    def gain_steps_per_rpm(self) -> float:
        """Proportional gain [steps/rpm]."""
        return self.gain_steps_per_100rpm / HUNDRED

    @property
    def integral_steps_per_rpm_s(self) -> float:
        """Integral gain [steps/(rpm s)]."""
        return self.integral_steps_per_100rpm_s / HUNDRED

    @property
    def derivative_steps_s_per_rpm(self) -> float:
        """Derivative gain [steps s/rpm]."""
        return self.derivative_steps_s_per_100rpm / HUNDRED


class Feedback(GainsForOneRpm, BaseModel):
    """Settings of the closed loop (car file table ``[feedback]``).

    Error is target - rpm; positive trim opens the valve. At each update, if enabled, e is the error when its
    size is above ``deadband_rpm`` and 0 otherwise; the wanted position is the base curve plus the trim of the
    law, and the valve is told to move when it differs from the commanded position by at least
    ``min_move_steps``.
    """

    model_config = _STRICT

    law: Law = Field(description="[-] none: base curve only; pi; pid; nudge: fixed steps towards the target"
        " at each update; pi_park: pi that knows rpm_per_step and parks at the best position")  # fmt: skip
    gain_steps_per_100rpm: Real = within(0, 500, "[steps per 100 rpm] trim for each 100 rpm of error now")
    integral_steps_per_100rpm_s: Real = within(0, 500, "[steps per 100 rpm and second] how fast the trim"
        " grows while an error lasts")  # fmt: skip
    derivative_steps_s_per_100rpm: Real = within(0, 500, "[steps x s per 100 rpm] trim against the rate at"
        " which the error grows (pid)", 0.0)  # fmt: skip
    deadband_rpm: Real = within(0, 1000, "[rpm] half-width: no action while the error is at or below it")
    min_move_steps: Whole = within(1, 100, "[steps] the smallest move the valve is told to make")
    update_period_ms: Real = within(1, 10_000, "[ms] time between two decisions of the controller")
    trim_limit_steps: tuple[Trim, Trim] = Field(description="[steps] lowest and highest trim, [low, high]")
    enable_above_target_rpm: Real = within(0, 10_000, "[rpm] feedback acts with the throttle closed and rpm"
        " below target + this")  # fmt: skip
    enable_delay_s: Real = within(0, 600, "[s] wait after the engine has started", 3.0)
    nudge_steps: Whole = within(1, 100, "[steps] size of one nudge (law nudge)", 1)
    rpm_per_step: Real = within(0.1, 1000, "[rpm per step] what one step is worth near the target (law"
        " pi_park)", 20.0)  # fmt: skip
    entry_extra_steps: Real = within(0, 400, "[steps] air added as the throttle closes", 0.0)
    entry_fade_s: Real = within(0.05, 60, "[s] time over which entry_extra_steps fades", 2.0)
    load_steps_per_100W: Real = within(0, 100, "[steps per 100 W] air added for electrical load above the"
        " car's own base load", 0.0)  # fmt: skip
    aircon_steps: Real = within(0, 400, "[steps] air added while the air conditioning runs", 0.0)
    spark_trim_deg_per_100rpm: Real = within(0, 30, "[deg per 100 rpm] spark advanced below the target, where"
        " the controller can", 0.0)  # fmt: skip
    spark_trim_limit_deg: Real = within(0, 30, "[deg] largest spark trim either way", 5.0)

    @property
    def acts(self) -> bool:
        """Whether there is feedback at all, and not the base curve alone."""
        return self.law != "none"

    @property
    def load_steps_per_W(self) -> float:
        """Air added for electrical load [steps/W]."""
        return self.load_steps_per_100W / HUNDRED

    @property
    def spark_deg_per_rpm(self) -> float:
        """Spark advanced below the target [deg/rpm]."""
        return self.spark_trim_deg_per_100rpm / HUNDRED

    @field_validator("trim_limit_steps")
    @classmethod
    def _low_not_above_high(cls, limits: tuple[float, float]) -> tuple[float, float]:
        low, high = limits
        if low > high:
            raise PydanticCustomError(
                "limits",
                "low limit above high limit ([{low}, {high}]), allowed: [low, high], low first",
                {"low": f"{low:g}", "high": f"{high:g}"},
            )
        return limits


class Curves(BaseModel):
    """Open-loop curves over coolant temperature (car file table ``[curves]``).

    Between points a curve is read linearly; outside them the end value holds.
    """

    model_config = _STRICT

    target_rpm: SpeedCurve = Field(description="[degC, rpm] idle speed wanted")
    base_steps: StepsCurve = Field(description="[degC, steps] valve position while running")
    cranking_steps: StepsCurve = Field(description="[degC, steps] valve position while cranking; more than"
        " running at every temperature (common practice, no source)")  # fmt: skip
    after_start_steps: StepsCurve = Field(description="[degC, steps] air added to the base curve just after"
        " the start")  # fmt: skip
    after_start_fade_s: Real = within(0.1, 600, "[s] time over which the after-start air fades (common"
        " practice, no source)", 20.0)  # fmt: skip

    @field_validator("target_rpm", "base_steps", "cranking_steps", "after_start_steps")
    @classmethod
    def _rising(cls, curve: tuple[tuple[float, float], ...]) -> tuple[tuple[float, float], ...]:
        for index in range(1, len(curve)):
            before, here = curve[index - 1][0], curve[index][0]
            if here <= before:
                raise PydanticCustomError(
                    "out_of_order",
                    "out of order ({here} degC after {before} degC), allowed: temperatures strictly rising",
                    {"here": f"{here:g}", "before": f"{before:g}", "at": [index]},
                )
        return curve
