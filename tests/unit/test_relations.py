"""Relations that had been tested through runs only, each by hand: values of a textbook line or of arithmetic.

As plain Python where that can be called, the same source that is compiled.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from itertools import pairwise
from typing import Any

import numpy as np
import pytest

from controllers import MEMORY_FIELDS, Feedback, TICKS_PER_s
from controllers.law_nudge import as_integral, nudge_steps, slower, small_nudges, whole_nudges_steps
from controllers.law_pi import proportional_trim
from controllers.law_pi_park import resting_band_rpm
from controllers.law_pid import derivative_trim
from controllers.records import new_block
from sim.air import flow_parameter, flow_slope_bound
from sim.combustion import (
    cold_share,
    film_evaporated,
    lean_roughness,
    mixture_efficiency,
    mixture_lambda,
    scatter_next,
    spark_efficiency,
    start_burn,
    start_chance,
    start_ease,
    start_firings,
)
from sim.crank import (
    alternator_torque,
    battery_volts,
    cranking_volts,
    friction_torque_per_bar,
    pumping_torque,
    resisting_torque,
    starter_torque,
)
from sim.happenings import set_loads
from sim.manifold import drawn_per_rad, pressure_rate
from sim.records import RUN_FIELDS, STATE_FIELDS, VALVE_TABLE_STEPS
from sim.sensors import RPM_PER_rad_s, followed_degC, measured_speed
from sim.starting import KEY_CRANK, engage_starter
from sim.thermal import CLASS_100_mm2_s, cooling_W_per_K, manifold_K, oil_constants, oil_viscosity_mm2_s
from sim.valve import table_area
from sim.valve_moves import go_home, turn_shaft


def plain(relation: Callable[..., Any]) -> Callable[..., Any]:
    """The Python source of a relation, whether the compiler is on or off."""
    return getattr(relation, "py_func", relation)


def blocks() -> tuple[Any, Any, Any]:
    """State, parameters and the controller's memory of one lane, all zero."""
    return new_block(STATE_FIELDS, 1), new_block(RUN_FIELDS, 1), new_block(MEMORY_FIELDS, 1)


@pytest.mark.parametrize("name", ["spark", "mixture"])
def test_efficiencies_are_parabolas_about_the_best_point(name: str) -> None:
    # 10 degrees off at 3e-4 per degree squared, or 0.1 lambda off at 3 per lambda squared: 0.97.
    told, best, off, loss = {
        "spark": (spark_efficiency, 25.0, 10.0, 3e-4),
        "mixture": (mixture_efficiency, 0.9, 0.1, 3.0),
    }[name]
    efficiency = plain(told)
    assert efficiency(best, best, loss) == 1.0
    assert efficiency(best - off, best, loss) == pytest.approx(0.97)
    assert efficiency(best + off, best, loss) == pytest.approx(0.97)
    assert efficiency(best + 2.0 * off, best, loss) == pytest.approx(0.88)
    assert efficiency(best + 100.0 * off, best, loss) == 0.0


def test_tables_change_from_cold_to_warm_in_a_line() -> None:
    told = [plain(cold_share)(degC) for degC in (-40.0, -20.0, 0.0, 20.0, 59.2, 60.0, 90.0)]
    assert told == pytest.approx([1.0, 1.0, 0.75, 0.5, 0.01, 0.0, 0.0])


def test_scatter_keeps_its_variance_and_a_lean_mixture_roughens() -> None:
    memory = 0.6
    fresh = math.sqrt(1.0 - memory**2)
    assert plain(scatter_next)(2.0, memory, fresh, -0.5) == pytest.approx(1.2 - 0.4)
    # Unit variance stays: memory2 + fresh2 = 1.
    assert plain(scatter_next)(1.0, memory, 0.0, 0.0) ** 2 + plain(scatter_next)(
        0.0, memory, fresh, 1.0
    ) ** 2 == pytest.approx(1.0)
    told = [plain(lean_roughness)(one) for one in (0.7, 1.0, 1.05, 1.1, 1.3, 1.5)]
    assert told == pytest.approx([1.0, 1.0, 1.5, 2.0, 4.0, 4.0])


def test_the_wall_film_evaporates_by_its_time_constant() -> None:
    # Implicit Euler of dm/dt = -m/tau over dt: what leaves is m dt/(tau + dt).
    assert plain(film_evaporated)(6e-6, 0.1, 0.2) == pytest.approx(2e-6)
    assert plain(film_evaporated)(6e-6, 0.2, 0.2) == pytest.approx(3e-6)
    left, dt = 1.0, 1e-3
    for _ in range(200):
        left -= plain(film_evaporated)(left, dt, 0.2)
    assert left == pytest.approx(math.exp(-1.0), rel=3e-3)


def test_lambda_is_air_over_what_the_fuel_needs() -> None:
    assert plain(mixture_lambda)(14.7e-5, 1e-5) == pytest.approx(1.0)
    assert plain(mixture_lambda)(14.7e-5, 1.25e-5) == pytest.approx(0.8)
    assert plain(mixture_lambda)(14.7e-5, 1e-5 / 8.0) == pytest.approx(8.0)
    assert plain(mixture_lambda)(14.7e-5, 1e-5 / 9.5) == 9.0
    assert plain(mixture_lambda)(14.7e-5, 1e-5 / 20.0) == plain(mixture_lambda)(1e-4, 0.0) == 9.0


def test_a_start_is_easier_the_warmer_and_gains_with_each_firing() -> None:
    # Assumed lines: ease 0 at -30 and 1 at 50 degC; 30 firings cold, 4 warm; first charges light in a
    # quarter and burn 0.6 cold, 0.95 each warm.
    assert [plain(start_ease)(t) for t in (-50.0, -30.0, -29.2, 10.0, 49.2, 50.0, 90.0)] == pytest.approx(
        [0.0, 0.0, 0.01, 0.5, 0.99, 1.0, 1.0]
    )
    assert [plain(start_firings)(t) for t in (-30.0, 10.0, 50.0)] == pytest.approx([30.0, 17.0, 4.0])
    for told, faster, cold, warm in ((start_chance, 3.0, 0.25, 0.95), (start_burn, 1.0, 0.6, 0.95)):
        half = 0.5 * (cold + warm)
        for at_degC, first, firings in ((-30.0, cold, 30.0), (10.0, half, 17.0), (50.0, warm, 4.0)):
            assert plain(told)(at_degC, 0.0) == pytest.approx(first)
            # What is lacking falls to a part in e after that many firings.
            lacking = (1.0 - first) * math.exp(-faster)
            assert plain(told)(at_degC, firings) == pytest.approx(1.0 - lacking)


def test_torques_at_the_crank_by_hand() -> None:
    # One bar over a litre: 1e5 x 1e-3/4pi = 7.958 Nm.
    assert friction_torque_per_bar(1e-3) == pytest.approx(7.958, abs=5e-4)
    # 2 + 0.05 w + 0.001 w2 at 100 rad/s: 2 + 5 + 10 Nm.
    assert plain(resisting_torque)(100.0, 2.0, 0.05, 0.001) == pytest.approx(17.0)
    # 60 kPa below the exhaust over 1.3 l: 60e3 * 1.3e-3/4pi = 6.207 Nm.
    assert plain(pumping_torque)(100e3, 40e3, 1.3e-3 / (4.0 * math.pi)) == pytest.approx(6.207, abs=5e-4)
    # 400 W at efficiency 0.5 and 80 rad/s: 10 Nm; below 5 rad/s as at 5.
    assert plain(alternator_torque)(400.0, 80.0, 2.0) == pytest.approx(10.0)
    assert plain(alternator_torque)(400.0, 1.0, 2.0) == plain(alternator_torque)(400.0, 5.0, 2.0) == 160.0
    assert plain(alternator_torque)(400.0, 5.5, 2.0) == pytest.approx(800.0 / 5.5)
    # 60 Nm at rest less 2 Nm for each rad/s; nothing once overrun, as its clutch is free.
    told = [plain(starter_torque)(speed, 60.0, 2.0) for speed in (0.0, 20.0, 29.5, 30.0, 90.0)]
    assert told == [60.0, 20.0, 1.0, 0.0, 0.0]


def test_battery_by_ohm_s_law() -> None:
    volts = plain(battery_volts)
    # All is given: regulated. 42 W missing at 14 V are 3 A: 3/5 of the way to 12 V, 0.02 ohm x 3 A below.
    assert volts(14.0, 12.0, 0.02, 300.0, 300.0) == volts(14.0, 12.0, 0.02, 300.0, 400.0) == 14.0
    assert volts(14.0, 12.0, 0.02, 307.0, 300.0) == pytest.approx(14.0 - 2.0 * 0.1 - 0.01)
    assert volts(14.0, 12.0, 0.02, 342.0, 300.0) == pytest.approx(14.0 - 2.0 * 0.6 - 0.06)
    # From 5 A on the battery's own voltage less what its resistance takes: 10 A and 20 A.
    assert volts(14.0, 12.0, 0.02, 440.0, 300.0) == pytest.approx(11.8)
    assert volts(14.0, 12.0, 0.02, 280.0, 0.0) == pytest.approx(11.6)
    # A battery above what is regulated gives nothing of its own; never below 6 V.
    assert volts(12.0, 12.6, 0.02, 120.0, 0.0) == pytest.approx(11.8)
    assert volts(14.0, 12.0, 0.1, 1400.0, 0.0) == 6.0
    assert volts(14.0, 12.0, 0.1, 14.0 * 59.0, 0.0) == pytest.approx(6.1)
    # Cranking: 12 V, 0.02 V for each of 100 Nm, 120 W through 0.03 ohm: 12 - 2 - 0.3; never below 4 V.
    assert plain(cranking_volts)(12.0, 0.02, 100.0, 0.03, 120.0) == pytest.approx(9.7)
    assert plain(cranking_volts)(12.0, 0.02, 395.0, 0.0, 0.0) == pytest.approx(4.1)
    assert plain(cranking_volts)(12.0, 0.02, 500.0, 0.0, 0.0) == 4.0


def test_air_drawn_and_pressure_by_hand() -> None:
    # (1 + 2 p + 3 p2 + 4 p3)(0.5 + 0.1 w) at p = 2, w = 3: 49 x 0.8; filling never beyond 1.2.
    drawn = drawn_per_rad  # chooses by an instruction of its own, so compiled
    assert drawn(2.0, 3.0, 1.0, 2.0, 3.0, 4.0, 0.5, 0.1) == pytest.approx(49.0 * 0.8)
    assert drawn(2.0, 6.5, 1.0, 2.0, 3.0, 4.0, 0.5, 0.1) == pytest.approx(49.0 * 1.15)
    assert drawn(2.0, 99.0, 1.0, 2.0, 3.0, 4.0, 0.5, 0.1) == pytest.approx(49.0 * 1.2)
    assert drawn(2.0, 3.0, -60.0, 2.0, 3.0, 4.0, 0.5, 0.1) == 0.0
    assert drawn(2.0, 3.0, -47.5, 2.0, 3.0, 4.0, 0.5, 0.1) == pytest.approx(0.4)
    # 5 mg/s more in than out of 2 l of air at 300 K: 287.053 x 300/0.002 x 5e-6 Pa/s.
    assert plain(pressure_rate)(287.053 * 300.0 / 0.002, 7e-6, 2e-6) == pytest.approx(215.3, abs=0.05)


def test_the_step_s_bound_holds_the_flow_s_slope_from_each_ratio_on() -> None:
    told = [plain(flow_slope_bound)(ratio) for ratio in (0.5, 0.59, 0.6, 0.92, 0.93, 1.0)]
    assert told == [1.0, 1.0, 4.0, 4.0, 15.0, 15.0]
    # The steepest slope within a step's reach, 0.06 ahead.
    for low, bound in ((0.53, 1.0), (0.6, 4.0), (0.93, 15.0)):
        ahead = [plain(flow_parameter)(low + 0.001 * k) for k in range(62)]
        assert max(a - b for a, b in pairwise(ahead)) / 0.001 < bound


def test_temperatures_at_which_heat_and_oil_change_their_ways() -> None:
    cooling = plain(cooling_W_per_K)
    # Water: a quarter standing, its own turning, 26 times with the radiator open.
    told = [cooling(*one, 30.0, 85.0, 0.0) for one in ((80.0, 4.9), (80.0, 5.0), (93.0, 90.0), (120.0, 90.0))]
    assert told == pytest.approx([7.5, 30.0, 780.0, 780.0])
    # Air: at 1000 rpm what it says, half open half way between 0.35 and 1.
    at_1000 = 1000.0 * math.pi / 30.0
    told = [cooling(degC, at_1000, 14.0, 85.0, 1.0) for degC in (60.0, 89.0, 93.0, 97.0)]
    assert told == pytest.approx([0.35 * 14.0, 0.675 * 14.0, 14.0, 14.0])
    assert cooling(120.0, 2.0 * at_1000, 14.0, 85.0, 1.0) == pytest.approx(2.0**0.8 * 14.0)
    assert cooling(60.0, 2.0 * at_1000, 14.0, 85.0, 1.0) == pytest.approx(2.0**0.8 * 0.35 * 14.0)
    assert cooling(120.0, 4.0, 14.0, 85.0, 1.0) == pytest.approx(0.15 * 14.0)
    # Air of the manifold: a line from as cold as the colder of engine and surroundings to warm at 60 degC.
    assert [plain(manifold_K)(t, 263.15, 313.15) for t in (-20.0, 25.0, 59.3, 60.0, 90.0)] == pytest.approx(
        [253.15, 263.15 + 50.0 * 35.0 / 70.0, 313.15 - 0.5, 313.15, 313.15]
    )
    # 10W-40: SAE J300's 7000 mPa s at -25 degC, of a density of 0.875 that falls by 6.5e-4 a kelvin from
    # 15 degC on; 14.4 mm2/s at 100 degC.
    constants = oil_constants("10W-40")
    thick = 7000.0 / (0.875 * (1.0 + 6.5e-4 * 40.0))
    assert plain(oil_viscosity_mm2_s)(-25.0, *constants) == pytest.approx(thick)
    assert plain(oil_viscosity_mm2_s)(100.0, *constants) == pytest.approx(14.4)
    # Colder than -45 degC oil is as at -45; the middles of SAE J300's classes.
    oil = plain(oil_viscosity_mm2_s)
    assert oil(-60.0, 9.5259, 3.7449) == oil(-45.0, 9.5259, 3.7449) > oil(-44.0, 9.5259, 3.7449)
    ends = {"20": (6.9, 9.3), "30": (9.3, 12.5), "40": (12.5, 16.3), "50": (16.3, 21.9)}
    middles = {name: sum(pair) / 2.0 for name, pair in ends.items()}
    assert pytest.approx(middles, abs=0.051) == CLASS_100_mm2_s


@pytest.mark.parametrize("full", [True, False])
def test_speed_is_that_of_the_interval_between_firings(full: bool) -> None:
    s, p, _ = blocks()
    # Half a turn in 37.5 ms: 800 rpm.
    p.firing_rad[0], s.tick[0], s.fired_tick[0] = math.pi, 5.0 * TICKS_PER_s, 4.9625 * TICKS_PER_s
    assert measured_speed(s, p, 0, full) == pytest.approx(800.0)
    # A quarter kept of a reading of 1000 rpm: 850; noise of 12 rpm and rounding to 10 only where asked for.
    p.rpm_keep[0], s.measured_rpm[0] = 0.25, 1000.0
    assert measured_speed(s, p, 0, full) == pytest.approx(850.0)
    s.rpm_noise[0], s.sensor_gauss[0] = 6.0, 2.0
    assert measured_speed(s, p, 0, full) == pytest.approx(859.0 if full else 850.0)
    p.rpm_resolution[0] = 20.0
    assert measured_speed(s, p, 0, full) == pytest.approx(860.0 if full else 850.0)
    s.sensor_gauss[0] = -400.0
    assert measured_speed(s, p, 0, full) == (0.0 if full else pytest.approx(850.0))
    # Speeds and steps of less than one count too.
    s.sensor_gauss[0], p.rpm_keep[0], p.firing_rad[0], p.rpm_resolution[0] = 0.0, 0.0, 1.625e-3 * math.pi, 0.5
    assert measured_speed(s, p, 0, full) == pytest.approx(1.5 if full else 1.3)
    # A firing at the very tick of the last one makes no infinite speed.
    for ticks, counted in ((0.0, 1.0), (1.0, 1.0), (2.0, 2.0)):
        s.fired_tick[0], p.rpm_resolution[0] = s.tick[0] - ticks, 0.0
        told = measured_speed(s, p, 0, full)
        assert told == pytest.approx(1.625e-3 * math.pi * RPM_PER_rad_s * TICKS_PER_s / counted)
    assert plain(followed_degC)(20.0, 80.0, 4.0, 2.0) == pytest.approx(40.0)


def test_loads_add_up_to_power_and_to_a_resisting_parabola() -> None:
    s, p, k = blocks()
    p.base_W[0], p.lamps_W[0], p.fan_W[0], p.screen_W[0] = 100.0, 90.0, 150.0, 60.0
    s.lamps[0], s.fan[0], s.screen[0], s.electrical_W[0] = 1.0, 2.5, 1.0, 7.0
    p.steering_Nm[0], p.aircon_Nm[0], p.clutch_Nm[0], p.gearbox_Nm[0] = 3.0, 8.0, 2.0, 20.0
    s.steering[0], s.aircon[0], s.clutch[0], s.torque_load_Nm[0] = 0.5, 1.0, 1.0, 0.25
    s.gearbox[0], p.gearbox_rad_s[0] = 1.0, 80.0
    p.friction0[0], p.friction1[0], p.friction2[0], s.friction_factor[0] = 4.0, 0.02, 1e-4, 1.5
    plain(set_loads)(s, p, k, 0)
    assert s.load_W[0] - 100.0 == k.load_W[0] == 90.0 + 375.0 + 60.0 + 7.0
    assert k.aircon_on[0] == 1.0
    assert s.resist0[0] == pytest.approx(1.5 * 4.0 + 1.5 + 8.0 + 2.0 + 0.25)
    assert s.resist1[0] == pytest.approx(0.03)
    # 20 Nm at 80 rad/s, with the square of speed.
    assert s.resist2[0] - 1.5e-4 == pytest.approx(20.0 / 6400.0)
    s.aircon[0] = 0.0
    plain(set_loads)(s, p, k, 0)
    assert k.aircon_on[0] == 0.0


def test_a_cold_or_weak_battery_lowers_the_starter_s_line() -> None:
    s, p, _ = blocks()
    p.starter_Nm[0], p.starter_Nms[0], p.resting_V[0] = 80.0, 2.0, 12.5
    s.resting_V[0], s.coolant_degC[0], s.ignition[0] = 10.0, -20.0, 1.0
    plain(engage_starter)(s, p, 0)
    # Four fifths of the voltage; 40 K below 20 degC take 12 %.
    assert s.starter0_Nm[0] == pytest.approx(80.0 * 0.8 * 0.88)
    assert (s.starter1_Nms[0], s.key[0], s.starting[0], s.ignition[0]) == (2.0, KEY_CRANK, 1.0, 0.0)
    s.coolant_degC[0] = 80.0
    plain(engage_starter)(s, p, 0)
    assert s.starter0_Nm[0] == pytest.approx(64.0)


def test_a_shaft_stops_at_both_ends_and_homing_counts_from_wide_open() -> None:
    s, p, _ = blocks()
    p.travel_steps[0], p.homing_steps[0], s.direction[0] = 3.0, 5.0, 1.0
    places = []
    for direction in (1.0, 1.0, 1.0, 1.0, -1.0, -1.0, -1.0, -1.0):
        plain(turn_shaft)(s, p, 0, direction)
        places.append((float(s.shaft_steps[0]), float(s.lost_steps[0])))
    assert places == [(1, 0), (2, 0), (3, 0), (3, 1), (2, 1), (1, 1), (0, 1), (0, 2)]
    # Wired the other way round it opens where it should close; one that sticks turns its shaft only.
    s.direction[0], s.valve_sticks[0] = -1.0, 1.0
    plain(turn_shaft)(s, p, 0, -1.0)
    assert (s.shaft_steps[0], s.pintle_steps[0]) == (1.0, 0.0)
    s.valve_sticks[0] = 0.0
    plain(turn_shaft)(s, p, 0, -1.0)
    assert s.pintle_steps[0] == 2.0
    plain(go_home)(s, p, 0)
    assert (s.believed_steps[0], s.homing[0], s.shaft_steps[0]) == (5.0, 1.0, 2.0)
    p.homing_steps[0] = 0.0
    plain(go_home)(s, p, 0)
    assert (s.believed_steps[0], s.homing[0]) == (0.0, 0.0)


def test_valve_area_lies_on_straight_lines_between_whole_steps_and_is_held_beyond_the_table() -> None:
    areas = np.arange(VALVE_TABLE_STEPS) ** 2.0
    told = [plain(table_area)(areas, steps) for steps in (-1.0, 0.0, 0.5, 2.25, 511.5, 512.0, 512.5, 600.0)]
    assert told == pytest.approx(
        [0.0, 0.0, 0.5, 4.0 + 0.25 * 5.0, 261_632.5, 262_144.0, 262_144.0, 262_144.0]
    )


def test_nudges_as_theory_takes_them() -> None:
    def nudging(**changes: Any) -> Feedback:
        values = {
            "law": "nudge", "gain_steps_per_100rpm": 0.0, "integral_steps_per_100rpm_s": 0.0,
            "deadband_rpm": 20.0, "min_move_steps": 5, "trim_limit_steps": (-9.0, 9.0),
            "enable_above_target_rpm": 400.0, "nudge_steps": 3, "update_period_ms": 300.0,
        }  # fmt: skip
        return Feedback.model_validate(values | changes)

    # A minimum move of 5 takes two nudges of 3; of 3 one; of 7 three.
    assert [whole_nudges_steps(nudging(min_move_steps=move)) for move in (5, 3, 7)] == [6, 3, 9]
    assert slower(nudging(), 0.5) == {"update_period_ms": 600.0}
    assert slower(nudging(), 0.01) == {"update_period_ms": 10_000.0}
    assert slower(nudging(update_period_ms=5.0), 1e-4) == {"update_period_ms": 5000.0}
    assert small_nudges(nudging(), 2) == {"nudge_steps": 1, "update_period_ms": 50.0}
    assert small_nudges(nudging(update_period_ms=2.0), 4) == {"nudge_steps": 1, "update_period_ms": 1.0}


def test_laws_by_hand() -> None:
    # 0.03 steps/rpm x 50 rpm + 2; minus 0.002 x -30/0.1, nothing at no error.
    assert proportional_trim(50.0, 0.03, 2.0) == pytest.approx(3.5)
    assert derivative_trim(50.0, -30.0, 0.002, 0.1) == pytest.approx(0.6)
    assert derivative_trim(0.0, -30.0, 0.002, 0.1) == 0.0
    assert [nudge_steps(error, 2.0) for error in (-0.1, 0.0, 0.1)] == [-2.0, 0.0, 2.0]
    # 1.1 x half of 4 steps x 10 rpm.
    assert [resting_band_rpm(band, 4.0, 10.0) for band in (21.9, 22.1)] == pytest.approx([22.0, 22.1])
    # 2 steps each 200 ms are 10 a second, at 40 rpm: 25 per 100 rpm and second; below 25 rpm as at 25.
    settings = {"nudge_steps": 2, "update_period_ms": 200.0}
    values = {
        "law": "nudge", "gain_steps_per_100rpm": 0.0, "integral_steps_per_100rpm_s": 0.0,
        "min_move_steps": 1, "trim_limit_steps": (-9.0, 9.0), "enable_above_target_rpm": 400.0,
    }  # fmt: skip
    for band_rpm, integral in ((40.0, 25.0), (5.0, 40.0)):
        one = Feedback.model_validate(values | settings | {"deadband_rpm": band_rpm})
        assert list(as_integral(one)) == pytest.approx([0.0, integral, 0.0])
