"""The stepper's coil: copper's resistance against the international standard."""

from __future__ import annotations

import pytest

from sim.valve import COPPER_PER_K, needed_pulse_s


def test_copper_s_resistance_from_20_to_100_degC() -> None:
    # IEC 60028 (1925), International Standard of Resistance for Copper: 0.00393 of its resistance at 20 degC
    # a kelvin (seen in the conductor tables of an ohmmeter's manual: 3930 ppm), so 1.3144 of it at 100 degC.
    # Ours is printed to two digits: half a unit of its last over 80 K.
    grown = needed_pulse_s(0.004, 12.0, 100.0) / needed_pulse_s(0.004, 12.0, 20.0)
    assert pytest.approx(0.00393, abs=0.5e-4) == COPPER_PER_K
    assert grown == pytest.approx(1.3144, abs=0.5e-4 * 80.0)
