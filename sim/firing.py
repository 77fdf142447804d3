"""A firing event: the charge just trapped, the torque that follows, the speed just measured."""

from __future__ import annotations

import numpy as np

from controllers import hold, pick, relation, s_PER_TICK
from sim.combustion import (
    STOICHIOMETRIC_AIR_TO_FUEL,
    film_evaporated,
    lean_roughness,
    mixture_efficiency,
    mixture_lambda,
    scatter_next,
    spark_efficiency,
)
from sim.noise import SCATTER_STREAM, SENSOR_STREAM, gauss
from sim.records import Block
from sim.sensors import measured_speed
from sim.slopes import drawn_at


@relation
def draw_noise(s: Block, p: Block, lane: int, full: bool) -> None:
    """Draw the random numbers of the next firing into the state: apart, as they do not vectorise with it."""
    s.gauss[lane] = gauss(p.seed[lane], SCATTER_STREAM, s.firings[lane])
    if full:
        s.sensor_gauss[lane] = gauss(p.seed[lane], SENSOR_STREAM, s.firings[lane])


@relation
def read_balance(s: Block, p: Block, lane: int, balance: np.ndarray) -> None:
    """Look up the work factor of the cylinder that fires next."""
    cylinder = int(s.cylinder[lane])
    weak = s.weak_share[lane] if cylinder == 0 else 0.0
    s.balance[lane] = balance[int(p.row_car[lane]), cylinder] * (1.0 - weak)


@relation
def burnt_efficiency(
    s: Block, p: Block, lane: int, rpm: float, target_rpm: float, spark_trim_deg: float, on: bool
) -> float:
    """Efficiency of spark and mixture of this charge [-]; changes the wall film.

    Fuel is metered by speed-density from lagged pressure.
    """
    slope_deg = s.advance_deg_per_rpm[lane] * (target_rpm - rpm)
    slope_deg = pick(slope_deg < 25.0, slope_deg, 25.0)
    slope_deg = pick(slope_deg > -25.0, slope_deg, -25.0)
    spark = s.spark_wanted_deg[lane] + slope_deg + spark_trim_deg
    elapsed_s = (s.tick[lane] - s.fired_tick[lane]) * s_PER_TICK
    expected_kg = p.firing_rad[lane] * drawn_at(p, lane, s.map_lagged_Pa[lane], s.speed_rad_s[lane])
    metered = expected_kg / (STOICHIOMETRIC_AIR_TO_FUEL * s.lambda_wanted[lane])
    evaporated = film_evaporated(s.film_kg[lane], elapsed_s, p.wall_s[lane])
    fuel = (1.0 - p.wall_share[lane]) * metered + evaporated
    film = s.film_kg[lane] + p.wall_share[lane] * metered - evaporated
    lagging = (p.wall_share[lane] > 0.0) | (p.fuelling_lag_s[lane] > 0.0)
    lambda_ = pick(lagging, mixture_lambda(s.drawn_kg[lane], fuel), s.lambda_wanted[lane])
    s.film_kg[lane] = hold(on, film, s.film_kg[lane])
    s.lambda_[lane] = hold(on, lambda_, s.lambda_[lane])
    s.spark_deg[lane] = hold(on, spark, s.spark_deg[lane])
    sparked = spark_efficiency(spark, p.spark_best_deg[lane], p.spark_loss_per_deg2[lane])
    return sparked * mixture_efficiency(lambda_, p.lambda_best[lane], p.mixture_loss[lane])


@relation
def shift_work(s: Block, p: Block, lane: int, on: bool, newest_J: float) -> None:
    """Take the newest charge's work into the torque until the next firing.

    A weighted sum of the last four charges' work, the weights placing it at the crank-angle delay asked for:
    one charge per cylinder makes torque 1 to 1.5 strokes after induction.
    """
    work0 = s.work0[lane]
    work1 = s.work1[lane]
    work2 = s.work2[lane]
    work = (
        p.delay0[lane] * newest_J + p.delay1[lane] * work0 + p.delay2[lane] * work1 + p.delay3[lane] * work2
    )
    s.torque_Nm[lane] = hold(on, work * p.firings_per_rad[lane], s.torque_Nm[lane])
    s.work3[lane] = hold(on, work2, s.work3[lane])
    s.work2[lane] = hold(on, work1, work2)
    s.work1[lane] = hold(on, work0, work1)
    s.work0[lane] = hold(on, newest_J, work0)


@relation
def fire(
    s: Block, p: Block, lane: int, on: bool, full: bool, target_rpm: float, spark_trim_deg: float
) -> None:
    """Handle a firing: trap the charge, shift the torque, measure the speed."""
    scatter = scatter_next(s.scatter[lane], p.scatter_memory[lane], p.scatter_fresh[lane], s.gauss[lane])
    efficiency = s.efficiency[lane]
    rpm = measured_speed(s, p, lane, full)
    lambda_ = s.lambda_wanted[lane]
    if full:
        efficiency = burnt_efficiency(s, p, lane, rpm, target_rpm, spark_trim_deg, on)
        lambda_ = s.lambda_[lane]
    factor = 1.0 + p.scatter_share[lane] * lean_roughness(lambda_) * scatter
    factor *= s.balance[lane]
    factor = pick(factor > 0.0, factor, 0.0)
    newest = p.work_J_per_kg[lane] * s.drawn_kg[lane] * efficiency * factor * s.ignition[lane]
    shift_work(s, p, lane, on, newest)
    s.scatter[lane] = hold(on, scatter, s.scatter[lane])
    s.drawn_kg[lane] = hold(on, 0.0, s.drawn_kg[lane])
    s.firings[lane] += pick(on, 1.0, 0.0)
    s.fired_tick[lane] = hold(on, s.tick[lane], s.fired_tick[lane])
    s.measured_rpm[lane] = hold(on, rpm, s.measured_rpm[lane])
    following = s.cylinder[lane] + 1.0
    following = pick(following < p.cylinders[lane], following, 0.0)
    s.cylinder[lane] = hold(on, following, s.cylinder[lane])
