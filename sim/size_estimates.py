"""Numbers a car file may leave out, estimated from the size of the engine; a fit starts from them too.

Every rule here is a rule of thumb: common practice, no source.
"""

from __future__ import annotations


def thermal_estimates(displacement_cm3: float, cooling: str) -> dict[str, float]:
    """Estimate the warm-up numbers of an engine [kJ/K, kJ/K, -, W/K, degC].

    Heat taken follows mass, so the displacement, and heat lost a surface, so its two-thirds power; an
    air-cooled engine's is at 1000 rpm of its fan, and its crankcase warms with its oil. Water-cooled numbers
    are set by recorded warm-ups of a 1.5 l engine at idle (tests/published/test_warm_up_record.py).
    """
    litres = displacement_cm3 / 1000.0
    if cooling == "air":
        return {
            "heat_capacity_kJ_per_K": round(5.0 * litres, 2),
            "oil_capacity_kJ_per_K": round(13.0 * litres + 1.0, 2), "heat_share_to_coolant": 0.30,
            "loss_W_per_K": round(20.0 * litres ** (2.0 / 3.0), 2), "thermostat_degC": 90.0,
        }  # fmt: skip
    return {
        "heat_capacity_kJ_per_K": round(13.0 * litres, 2),
        "oil_capacity_kJ_per_K": round(5.0 * litres + 1.0, 2), "heat_share_to_coolant": 0.50,
        "loss_W_per_K": round(18.0 * litres ** (2.0 / 3.0), 2), "thermostat_degC": 85.0,
    }  # fmt: skip


def starter_estimates(displacement_cm3: float) -> dict[str, float]:
    """Estimate the starter's torque-speed line, seen at the crankshaft [Nm, rpm, V/Nm].

    Sized so that an engine cranks at 200 to 250 rpm when warm, against about 1 bar of friction, and at 80 to
    120 rpm at -20 degC, against three times that (both from memory); the battery sags by about 4 V at
    standstill.
    """
    litres = displacement_cm3 / 1000.0
    stall_Nm = round(2.0 + 42.0 * litres, 1)
    return {"stall_torque_Nm": stall_Nm, "free_rpm": 275.0, "sag_V_per_Nm": round(4.0 / stall_Nm, 4)}


def torque_delay_estimate_deg(cylinders: int) -> float:
    """270 degrees (180 to 360 is usual, from memory) from induction to torque, or three intervals if less."""
    return min(270.0, 3.0 * 720.0 / cylinders)
