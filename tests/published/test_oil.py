"""Engine oil: the viscosity law, the SAE grades, and what cold oil does to friction."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest

from sim.thermal import (
    CRANKING_LIMIT,
    RUBBING_SHARE,
    WARM_degC,
    cold_friction_factor,
    law_through,
    oil_constants,
    oil_viscosity_mm2_s,
)

# SAE J300: kinematic viscosity at 100 degC [mm2/s], from and to below; cranking limits [mPa s].
CLASSES = {"20": (6.9, 9.3), "30": (9.3, 12.5), "40": (12.5, 16.3), "50": (16.3, 21.9)}
LIMITS = {
    "0W": (-35, 6200), "5W": (-30, 6600), "10W": (-25, 7000),
    "15W": (-20, 7000), "20W": (-15, 9500), "25W": (-10, 13000),
}  # fmt: skip
GRADES = [f"{winter}-{summer}" for winter in LIMITS for summer in CLASSES]


def test_the_worked_example_of_astm_d341() -> None:
    # ASTM D341, worked example: 32 cSt at 40 and 5.4 at 100 degC give A, B and 8.5 cSt at 80.
    a, b = law_through(40.0, 32.0, 100.0, 5.4)
    assert a == pytest.approx(9.5259, abs=0.5e-4)
    assert b == pytest.approx(3.7449, abs=0.5e-4)
    assert oil_viscosity_mm2_s(80.0, a, b) == pytest.approx(8.5, abs=0.05)


def test_tables_are_those_of_sae_j300() -> None:
    assert {k: (round(t), round(v)) for k, (t, v) in CRANKING_LIMIT.items()} == LIMITS


@pytest.mark.parametrize("grade", GRADES)
def test_a_fitted_grade_lies_in_its_class_and_meets_its_cranking_limit(grade: str) -> None:
    a, b = oil_constants(grade)
    winter, _, summer = grade.partition("-")
    low, high = CLASSES[summer]
    assert low <= oil_viscosity_mm2_s(100.0, a, b) < high
    cold, limit = LIMITS[winter]
    # Engine oil is 0.86 to 0.92 of water's density when cold (from memory).
    density = limit / oil_viscosity_mm2_s(float(cold), a, b)
    assert 0.86 < density < 0.92
    values = [oil_viscosity_mm2_s(float(t), a, b) for t in range(-40, 141, 10)]
    assert all(math.isfinite(v) for v in values)
    assert all(here < before for before, here in pairwise(values))


def test_friction_follows_the_viscosity_ratio() -> None:
    a, b = oil_constants("10W-40")
    warm = oil_viscosity_mm2_s(WARM_degC, a, b)
    assert cold_friction_factor(WARM_degC, a, b, warm, 1.0) == 1.0
    ratio = oil_viscosity_mm2_s(20.0, a, b) / warm
    # Exponent 0.25; published ones lie between 0.19 and 0.5 (from memory).
    assert cold_friction_factor(20.0, a, b, warm, 1.0) == pytest.approx(ratio**0.25)
    part = cold_friction_factor(20.0, a, b, warm, RUBBING_SHARE)
    assert part - 1.0 == pytest.approx(RUBBING_SHARE * (ratio**0.25 - 1.0))


def test_a_thicker_winter_grade_drags_more_in_the_cold() -> None:
    factors = []
    for winter in ("5W", "10W", "15W", "20W"):
        a, b = oil_constants(f"{winter}-40")
        warm = oil_viscosity_mm2_s(WARM_degC, a, b)
        factors.append(cold_friction_factor(-10.0, a, b, warm, 1.0))
    assert factors == sorted(factors)
    assert 2.0 < factors[0] < factors[-1] < 6.0


@pytest.mark.parametrize("summer", ["20", "30", "40", "50"])
def test_an_oil_of_one_grade_lies_in_its_class_and_is_thicker_when_cold(summer: str) -> None:
    a, b = oil_constants(summer)
    low, high = CLASSES[summer]
    assert low <= oil_viscosity_mm2_s(100.0, a, b) < high
    # The steeper slope that J300's winter grades are there to avoid.
    multi_a, multi_b = oil_constants(f"15W-{summer}")
    for cold in (-20.0, 0.0, 20.0):
        assert oil_viscosity_mm2_s(cold, a, b) > oil_viscosity_mm2_s(cold, multi_a, multi_b)
    assert math.isfinite(oil_viscosity_mm2_s(-40.0, a, b))


def test_an_oil_of_one_grade_has_the_viscosity_index_of_a_plain_mineral_oil() -> None:
    # ASTM D2270, worked example of procedure A: at 8.86 mm2/s (100 degC) L is 119.94 and H 69.48
    # mm2/s, so 73.30 mm2/s at 40 degC is an index of 92.  8.86 lies between our classes 20 and 30.
    at_100 = [oil_viscosity_mm2_s(100.0, *oil_constants(one)) for one in ("20", "30")]
    at_40 = [oil_viscosity_mm2_s(40.0, *oil_constants(one)) for one in ("20", "30")]
    between = math.exp(np.interp(math.log(8.86), np.log(at_100), np.log(at_40)))
    index = (119.94 - between) / (119.94 - 69.48) * 100.0
    assert 90.0 < index < 101.0
