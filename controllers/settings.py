"""What a controller can be told: the feedback settings and the open-loop curves.

Both models are tables of the car file, ``[feedback]`` and ``[curves]``. Every field states its unit in square
brackets, its meaning and, where it has one, its source.
"""

from __future__ import annotations

from typing import Annotated, Literal

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


class Feedback(BaseModel):
    """Settings of the closed loop (car file table ``[feedback]``).

    Error is target - rpm; positive trim opens the valve. At each update, if enabled, e is the error when its
    size is above ``deadband_rpm`` and 0 otherwise; the wanted position is the base curve plus the trim of the
    law, and the valve is told to move when it differs from the commanded position by at least
    ``min_move_steps``.
    """

    model_config = _STRICT

    law: Law = Field(
        description="[-] none: base curve only; pi; pid; nudge: fixed steps towards the target at"
        " each update; pi_park: pi that knows rpm_per_step and parks at the best position"
    )
    gain_steps_per_100rpm: Real = Field(
        ge=0, le=500, description="[steps per 100 rpm] trim for each 100 rpm of error now"
    )
    integral_steps_per_100rpm_s: Real = Field(
        ge=0,
        le=500,
        description="[steps per 100 rpm and second] how fast the trim grows while an error lasts",
    )
    derivative_steps_s_per_100rpm: Real = Field(
        default=0.0,
        ge=0,
        le=500,
        description="[steps x s per 100 rpm] trim against the rate at which the error grows (pid)",
    )
    deadband_rpm: Real = Field(
        ge=0, le=1000, description="[rpm] half-width: no action while the error is at or below it"
    )
    min_move_steps: Whole = Field(
        ge=1, le=100, description="[steps] the smallest move the valve is told to make"
    )
    update_period_ms: Real = Field(
        ge=1, le=10_000, description="[ms] time between two decisions of the controller"
    )
    trim_limit_steps: tuple[Trim, Trim] = Field(description="[steps] lowest and highest trim, [low, high]")
    enable_above_target_rpm: Real = Field(
        ge=0,
        le=10_000,
        description="[rpm] feedback acts with the throttle closed and rpm below target + this",
    )
    enable_delay_s: Real = Field(
        default=3.0, ge=0, le=600, description="[s] wait after the engine has started"
    )
    nudge_steps: Whole = Field(default=1, ge=1, le=100, description="[steps] size of one nudge (law nudge)")
    rpm_per_step: Real = Field(
        default=20.0,
        ge=0.1,
        le=1000,
        description="[rpm per step] what one step is worth near the target (law pi_park)",
    )
    entry_extra_steps: Real = Field(
        default=0.0, ge=0, le=400, description="[steps] air added as the throttle closes"
    )
    entry_fade_s: Real = Field(
        default=2.0, ge=0.05, le=60, description="[s] time over which entry_extra_steps fades"
    )
    load_steps_per_100W: Real = Field(
        default=0.0,
        ge=0,
        le=100,
        description="[steps per 100 W] air added for electrical load above the car's own base load",
    )
    aircon_steps: Real = Field(
        default=0.0, ge=0, le=400, description="[steps] air added while the air conditioning runs"
    )
    spark_trim_deg_per_100rpm: Real = Field(
        default=0.0,
        ge=0,
        le=30,
        description="[deg per 100 rpm] spark advanced below the target, where the controller can",
    )
    spark_trim_limit_deg: Real = Field(
        default=5.0, ge=0, le=30, description="[deg] largest spark trim either way"
    )

    @property
    def acts(self) -> bool:
        """Whether there is feedback at all, and not the base curve alone."""
        return self.law != "none"

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
    cranking_steps: StepsCurve = Field(
        description="[degC, steps] valve position while cranking; more than running at every"
        " temperature (common practice, no source)"
    )
    after_start_steps: StepsCurve = Field(
        description="[degC, steps] air added to the base curve just after the start"
    )
    after_start_fade_s: Real = Field(
        default=20.0,
        ge=0.1,
        le=600,
        description="[s] time over which the after-start air fades (common practice, no source)",
    )

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
