"""The engine against published values: friction, an identified engine, time constants."""

from __future__ import annotations

import math

import numpy as np
import pytest

from controllers import matrix
from sim import Car, Scenario, equilibrium, simulate, with_values
from sim.air import CHOKED_FLOW, R_AIR, GRAVITY_m_PER_s2, LAPSE_K_PER_m
from sim.crank import friction_torque_per_bar
from sim.linearise import linearise
from sim.prepare import car_row, delay_shares, pumping_coefficients
from sim.records import CAR_FIELDS
from sim.sensors import RPM_PER_rad_s

# Total motored friction, four-stroke petrol engine: 0.97 + 0.15 n + 0.05 n2 bar, n = rpm/1000,
# pumping included. Barnes-Moss in Heywood, Internal Combustion Engine Fundamentals (1988), ch. 13.
BARNES_MOSS = (0.97, 0.15, 0.05)
FRICTION_bar = [(600.0, 1.078), (800.0, 1.122), (1000.0, 1.170), (2000.0, 1.470)]

# An identified 2.5 l five-cylinder engine: idle-speed laboratory of a university course on engine
# systems, model after Guzzella & Onder, Introduction to Modeling and Control of Internal Combustion
# Engine Systems (Springer), idle-speed case.
GAS, AIR_K, OUTSIDE_Pa = 287.0, 295.0, 100e3
AIR_degC = GAS * AIR_K / R_AIR - 273.15  # of the model, to give the source's R T
AREA_mm2, AREA_PER_UNIT_mm2, UNITS = 2.03355255, 6.12871898, 2.0
CHOKED_IN_SOURCE = 1.0 / math.sqrt(2.0)  # instead of 0.6847
DISPLACEMENT_cm3, CLEARANCE_cm3, RESIDUAL_EXPONENT = 2480.0, 248.0, 1.35
FILLING, FILLING_s_per_rad = 0.6823, 0.00086052
AIR_SHARE = 1.0 / (1.0 + 1.0 / 14.7)  # of the mixture drawn
EFFICIENCY, EFFICIENCY_s_per_rad = 0.3068, 0.000302
SPARK_LOSS_per_deg2, SPARK_OFF_deg = 2.3345e-4, 25.0
HEAT_J_per_kg_air = 42.5e6 / 14.7
FRICTION_Nm, MANIFOLD_cm3, INERTIA_kg_m2 = 6.78, 5561.62, 0.205
# Published equilibrium: 23 598.49 Pa, 107.6184 rad/s (1027.7 rpm), air 3.4729 g/s.
MAP_Pa, SPEED_rad_s, AIR_g_s = 23598.49, 107.6184, 3.4729


OPEN_LOOP: dict[str, object] = {
    "curves": {
        "target_rpm": ((0.0, 1027.7), (90.0, 1027.7)),
        "base_steps": ((0.0, UNITS), (90.0, UNITS)),
        "cranking_steps": ((0.0, 4.0), (90.0, 4.0)),
        "after_start_steps": ((0.0, 0.0), (90.0, 0.0)),
    },
    "feedback": {
        "law": "none",
        "gain_steps_per_100rpm": 0.0,
        "integral_steps_per_100rpm_s": 0.0,
        "deadband_rpm": 10.0,
        "min_move_steps": 1,
        "update_period_ms": 100.0,
        "trim_limit_steps": (-1.0, 1.0),
        "enable_above_target_rpm": 300.0,
    },
}
"""The source holds its opening: flat curves, no feedback."""


def outside_height_m() -> float:
    """Height of the standard atmosphere at which the pressure is the source's 100 kPa."""
    exponent = R_AIR * LAPSE_K_PER_m / GRAVITY_m_PER_s2
    return 288.15 / LAPSE_K_PER_m * (1.0 - (OUTSIDE_Pa / 101325.0) ** exponent)


def opening(step_mm2: float) -> dict[str, object]:
    """A valve of five steps that the source's opening is one of."""
    return {
        "area_mm2": tuple((float(n), n * step_mm2) for n in range(6)),
        "travel_steps": 5, "useful_travel_steps": 5, "open_limit_steps": 5,
        "pulse_ms": 4.0, "rest_ms": 1.0, "homing_steps": 20,
    }  # fmt: skip


def identified_engine() -> Car:
    """The identified engine in the terms of a car file.

    Exact in both: manifold, inertia, displacement, compression ratio (Vc + Vd)/Vc = 11, residual
    exponent, exhaust pressure, volumetric efficiency linear in speed, spark parabola, constant
    friction, pumping (pe - p) Vd/4pi kept apart from friction, no accessory, delay of one
    revolution.  Mapped:

    - openings are larger by (1/sqrt 2)/0.6847, since the source takes 1/sqrt 2 for choked flow;
    - volumetric efficiency takes the share of air in the mixture drawn, 1/(1 + 1/14.7);
    - efficiency falls with speed in the source: torque = k (e0 - e1 w) air/w.  A car has no such
      slope.  Since air/w times w is the air flow, that is k e0 air/w less the torque k e1 air,
      which is constant while the openings are choked: e0 goes into the work per air, k e1 air
      (from the openings, not from the published point) is added to the constant friction.

    The model's R is 287.053 instead of 287, so the temperature is lowered to give the same R T.
    Not mapped: the pumping law is the model's cubic fit to the source's.
    """
    larger = CHOKED_IN_SOURCE / CHOKED_FLOW
    area_m2 = (AREA_mm2 + AREA_PER_UNIT_mm2 * UNITS) * 1e-6
    air_kg_s = area_m2 * OUTSIDE_Pa / math.sqrt(GAS * AIR_K) * CHOKED_IN_SOURCE
    spark = 1.0 - SPARK_LOSS_per_deg2 * SPARK_OFF_deg**2
    lost_to_speed_Nm = HEAT_J_per_kg_air * spark * EFFICIENCY_s_per_rad * air_kg_s
    bar = (FRICTION_Nm + lost_to_speed_Nm) * 4.0 * math.pi / (DISPLACEMENT_cm3 * 1e-6) / 1e5
    step_mm2 = AREA_PER_UNIT_mm2 * larger
    return Car.model_validate(
        {
            "car": {"name": "identified five-cylinder engine"},
            "engine": {
                "displacement_cm3": DISPLACEMENT_cm3,
                "cylinders": 5,
                "compression_ratio": (CLEARANCE_cm3 + DISPLACEMENT_cm3) / CLEARANCE_cm3,
                "inertia_kg_m2": INERTIA_kg_m2,
                "work_per_air_kJ_per_kg": EFFICIENCY * HEAT_J_per_kg_air / 1000.0,
                "torque_delay_deg": 360.0,
                "volumetric_efficiency": FILLING * AIR_SHARE,
                "volumetric_efficiency_per_1000rpm": (FILLING_s_per_rad * AIR_SHARE * 1000.0 / RPM_PER_rad_s),
                "residual_exponent": RESIDUAL_EXPONENT,
                "friction_bar": (bar, 0.0, 0.0),
                "pumping_in_friction": False,
                "scatter_share": 0.0,
                "exhaust_kPa": 100.0,
            },
            "spark": {"base_deg": 5.0, "best_deg": 5.0 + SPARK_OFF_deg, "loss_per_deg2": SPARK_LOSS_per_deg2},
            "mixture": {"lambda_base": 1.0, "lambda_best": 1.0},
            "manifold": {"volume_cm3": MANIFOLD_cm3, "air_degC": AIR_degC},
            "throttle": {"leak_mm2": AREA_mm2 * larger, "open_mm2": 500.0},
            "valve": opening(step_mm2),
            "electrics": {"base_W": 0.0, "alternator_max_W": 0.0},
            **OPEN_LOOP,
        }
    )


@pytest.mark.parametrize(("rpm", "bar"), FRICTION_bar)
def test_friction_in_force_is_the_correlation_s(rpm: float, bar: float) -> None:
    car = with_values(identified_engine(), {"engine": {"friction_bar": BARNES_MOSS}})
    row = dict(zip(CAR_FIELDS, matrix(car_row(car))[0], strict=True))
    speed = rpm / RPM_PER_rad_s
    torque = row["friction0"] + speed * (row["friction1"] + speed * row["friction2"])
    assert torque / friction_torque_per_bar(DISPLACEMENT_cm3 * 1e-6) == pytest.approx(bar, abs=5e-4)
    # One bar over a litre: 1e5 * 1e-3 / 4 pi = 7.958 Nm (definition of mean effective pressure).
    assert friction_torque_per_bar(1e-3) == pytest.approx(7.958, abs=5e-4)


def test_pumping_is_not_counted_twice() -> None:
    # The correlation holds pumping already (Heywood, ch. 13): with pumping_in_friction the
    # manifold's pressure makes no torque of its own.
    apart = identified_engine()
    within = with_values(apart, {"engine": {"pumping_in_friction": True}})
    slope = linearise(apart, UNITS).resisting_torque_per_Pa
    assert slope == pytest.approx(-DISPLACEMENT_cm3 * 1e-6 / (4.0 * math.pi), rel=1e-6)
    assert linearise(within, UNITS).resisting_torque_per_Pa == 0.0


def test_identified_engine_settles_at_the_published_point() -> None:
    settled = equilibrium(identified_engine(), UNITS, altitude_m=outside_height_m(), ambient_degC=AIR_degC)
    assert settled["map_kPa"] * 1000.0 == pytest.approx(MAP_Pa, rel=1e-3)
    assert settled["rpm"] / RPM_PER_rad_s == pytest.approx(SPEED_rad_s, rel=1e-3)
    assert settled["air_g_s"] == pytest.approx(AIR_g_s, rel=1e-3)


def test_identified_engine_runs_to_the_published_point() -> None:
    scenario = Scenario(
        name="settle",
        duration_s=30.0,
        coolant_degC=90.0,
        ambient_degC=AIR_degC,
        altitude_m=outside_height_m(),
    )
    trace = simulate(identified_engine(), scenario, rpm_offset=150.0)
    assert trace.speed_rpm[0] / RPM_PER_rad_s > 1.1 * SPEED_rad_s
    late = trace.time_s > 25.0
    assert trace.speed_rpm[late].mean() / RPM_PER_rad_s == pytest.approx(SPEED_rad_s, rel=1e-3)
    assert trace.map_kPa[late].mean() * 1000.0 == pytest.approx(MAP_Pa, rel=1e-3)


def test_manifold_time_constant() -> None:
    # 2 V/(eta Vd N), N in revolutions a second, eta the share of the displacement filled: from
    # memory, any text on mean-value engine models. It takes the charge as proportional to pressure;
    # Guzzella & Onder's lambda_p, which the model uses, makes it lambda_p/(d(p lambda_p)/dp) of it.
    car = identified_engine()
    point = linearise(car, UNITS, altitude_m=outside_height_m(), ambient_degC=AIR_degC)
    clearance = CLEARANCE_cm3 / DISPLACEMENT_cm3
    residual = (100e3 / point.map_Pa) ** (1.0 / RESIDUAL_EXPONENT)
    filled = 1.0 + clearance - clearance * residual
    by_pressure = 1.0 + clearance - clearance * residual * (1.0 - 1.0 / RESIDUAL_EXPONENT)
    eta = (FILLING + FILLING_s_per_rad * point.speed_rad_s) * AIR_SHARE * filled
    rev_per_s = point.speed_rad_s / (2.0 * math.pi)
    simple_s = 2.0 * MANIFOLD_cm3 / (eta * DISPLACEMENT_cm3 * rev_per_s)
    model_s = -1.0 / point.pressure_rate_per_Pa
    assert 0.1 < simple_s < 0.6
    assert model_s == pytest.approx(simple_s * filled / by_pressure, rel=0.02)


def test_pumping_cubic_follows_the_residual_gas_law() -> None:
    # lambda_p = (Vc + Vd)/Vd - Vc/Vd (pe/p)^(1/1.35), Guzzella & Onder; the model takes a cubic.
    cubic = pumping_coefficients(DISPLACEMENT_cm3 * 1e-6, 11.0, RESIDUAL_EXPONENT, 100e3, AIR_K)
    for pressure in np.linspace(20e3, 100e3, 33):
        filled = 1.1 - 0.1 * (100e3 / pressure) ** (1.0 / RESIDUAL_EXPONENT)
        exact = DISPLACEMENT_cm3 * 1e-6 / (4.0 * math.pi) * pressure / (R_AIR * AIR_K) * filled
        drawn = np.polynomial.polynomial.polyval(pressure, cubic)
        assert drawn == pytest.approx(exact, rel=0.003)


@pytest.mark.parametrize("cylinders", [2, 3, 4, 5, 6, 8, 12])
@pytest.mark.parametrize("delay_deg", [180.0, 270.0, 360.0])
def test_delay_from_charge_to_torque(cylinders: int, delay_deg: float) -> None:
    # 180 to 360 degrees of crank (seen in the literature; from memory). The mean angle from an
    # induction to the work of its charge is the one asked for, wherever it lies between the
    # centres of the first and fourth intervals after it.
    interval_deg = 720.0 / cylinders
    shares = delay_shares(delay_deg, cylinders)
    assert shares.sum() == pytest.approx(1.0)
    assert (shares >= 0.0).all()
    mean_deg = float((shares * (np.arange(4) + 0.5)).sum()) * interval_deg
    assert mean_deg == pytest.approx(min(max(delay_deg, interval_deg / 2), 3.5 * interval_deg))
