"""What a log of spark advance says about the spark table: its level and its slope over speed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sim import Car
from tuning.log_events.states import Floats, QUICK_ENOUGH_s, idle_rows
from tuning.logs import Log

LEAST_SPREAD_deg = 0.4  # Spark that varies less than this is constant [deg].
FINEST_deg, CLEAR_SHARE = 0.12, 0.6
"""Spark that varies less is still believed to follow speed where speed explains most of it."""
TREND_s = 15.0  # Slower changes of spark and speed are trends, not one following the other [s].
MOST_LOST = 0.6  # Share of the work that the car file lets spark lose [-].
LEAST_SHARE = 0.3  # Share of the spark's variance that speed must explain for a slope to be believed [-].


@dataclass(frozen=True)
class SparkFound:
    """Spark advance at idle as recorded.

    Attributes
    ----------
    advance_deg_per_100rpm, explained : float
        Added below target, negative retards there; share of its variance that speed explains
        [deg per 100 rpm, -].
    """

    base_deg: float
    advance_deg_per_100rpm: float
    explained: float
    spread_deg: float

    @property
    def follows_speed(self) -> bool:
        """Whether spark varies, and does so with speed."""
        clear = self.spread_deg >= LEAST_SPREAD_deg and self.explained >= LEAST_SHARE
        return clear or (self.spread_deg >= FINEST_deg and self.explained >= CLEAR_SHARE)


def _without_trend(values: Floats, rate_Hz: float) -> Floats:
    """Values less their mean over some seconds around: what warming up does is no slope."""
    width = int(np.clip(TREND_s * rate_Hz, 1, values.size))
    ones = np.ones(width)
    count = np.convolve(np.ones(values.size), ones, mode="same")
    return np.asarray(values - np.convolve(values, ones, mode="same") / count)


def spark_in(log: Log) -> SparkFound | None:
    """Read level and slope of the spark from one log, at its own target or else its mean speed.

    Source: straight line by least squares through departures from the means around. None where spark was not
    recorded, speed is refreshed too slowly, or the engine does not idle.
    """
    idle = idle_rows(log)
    if log.spark_deg is None or idle.sum() < 20 or log.refresh_s.get("rpm", 0.0) > QUICK_ENOUGH_s:
        return None
    spark, speed = log.spark_deg[idle], log.rpm[idle]
    target_rpm = float(np.mean(speed if log.target_rpm is None else log.target_rpm[idle]))
    quick_spark, quick_speed = (_without_trend(one, log.rate_Hz) for one in (spark, speed))
    spread, swing = float(np.std(quick_spark)), float(np.std(quick_speed))
    if spread < 1.0e-6 or swing < 1.0e-6:
        return SparkFound(float(np.median(spark)), 0.0, 0.0, spread)
    likeness = float(np.corrcoef(quick_speed, quick_spark)[0, 1])
    slope = likeness * spread / swing
    level = float(np.mean(spark)) + slope * (target_rpm - float(np.mean(speed)))
    return SparkFound(level, -100.0 * slope, likeness**2, spread)


def with_recorded_spark(car: Car, logs: Sequence[Log]) -> tuple[Car, SparkFound | None]:
    """Give a car the spark of its log with most movement of it; unchanged where none was recorded."""
    every = [one for one in (spark_in(log) for log in logs) if one is not None]
    if not every:
        return car, None
    found = max(every, key=lambda one: one.spread_deg)
    slope = found.advance_deg_per_100rpm if found.follows_speed else 0.0
    spark = car.spark.model_copy(
        update={
            "base_deg": float(np.clip(found.base_deg, -20.0, 50.0)),
            "advance_deg_per_100rpm": float(np.clip(slope, -20.0, 20.0)),
        }
    )
    lost = spark.loss_per_deg2 * (spark.base_deg - spark.best_deg) ** 2
    if lost > MOST_LOST:
        return car, found
    return car.model_copy(update={"spark": spark}), found
