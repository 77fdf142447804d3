"""Crank: what resists turning, and the alternator that turns electric load into torque."""

from __future__ import annotations

import math

from controllers import relation

REGULATED_SHARE = 0.3
"""How near to its limit the regulator begins to give less than the load, as a share of the load [-]."""
SURFACE_A = 5.0  # Current drawn from a battery at which it has fallen to its own voltage [A].
SLOWEST_rad_s = 5.0  # Below this speed the alternator's torque is not raised further [rad/s].


@relation
def resisting_torque(speed_rad_s: float, resist0: float, resist1: float, resist2: float) -> float:
    """Torque of friction and mechanical accessories against rotation, one parabola over speed.

    Source: Barnes-Moss correlation in Heywood (1988), ch. 13, is such a parabola; see
    ``friction_torque_per_bar``.

    Parameters
    ----------
    speed_rad_s, resist0, resist1, resist2 : float
        Crank speed, and coefficients [rad/s, Nm, Nm s/rad, Nm s2/rad2].

    Returns
    -------
    float [Nm]
    """
    return resist0 + speed_rad_s * (resist1 + speed_rad_s * resist2)


@relation
def pumping_torque(exhaust_Pa: float, map_Pa: float, pumping_m3_per_rad: float) -> float:
    """Torque of the gas exchange loop against rotation, where the friction figure does not hold it already.

    Source: Guzzella and Onder, torque balance of the idle-speed case.

    Parameters
    ----------
    exhaust_Pa, map_Pa, pumping_m3_per_rad : float
        Exhaust back pressure and manifold pressure [Pa]; displacement over 4 pi, or 0 when friction includes
        pumping [m3/rad].

    Returns
    -------
    float [Nm]
    """
    return (exhaust_Pa - map_Pa) * pumping_m3_per_rad


@relation
def alternator_torque(power_W: float, speed_rad_s: float, inverse_efficiency: float) -> float:
    """Torque at the crank that the alternator takes for the electric power it gives.

    Source: power balance; the floor on speed keeps a stalling engine finite.

    Parameters
    ----------
    power_W, speed_rad_s, inverse_efficiency : float
        Electric power given now, and crank speed [W, rad/s]; one over its efficiency with belt, 1 to 5 [-].

    Returns
    -------
    float [Nm]
    """
    floored = speed_rad_s if speed_rad_s > SLOWEST_rad_s else SLOWEST_rad_s
    return power_W * inverse_efficiency / floored


@relation
def alternator_target(
    load_W: float, speed_rad_s: float, cut_in_rad_s: float, endless_W: float, max_W: float
) -> float:
    """Electric power the regulator is heading for: the load, as far as speed allows.

    Source: common practice, no source: the limit rises steeply from cut-in speed and ever less above, as 1 -
    cut-in / speed; at idle an alternator gives a third to a half of its largest. A regulator lets go bit by
    bit as load nears the limit, within `REGULATED_SHARE` of the load, by the even polynomial that meets both
    lines with four derivatives: the integrator keeps its order.

    Parameters
    ----------
    load_W, max_W, endless_W, speed_rad_s, cut_in_rad_s : float
        Load switched on, largest output, and what its limit would tend to at any speed, without an end [W];
        crank speed, and that at which the alternator begins to give [rad/s].

    Returns
    -------
    float [W]
    """
    floored = speed_rad_s if speed_rad_s > SLOWEST_rad_s else SLOWEST_rad_s
    able = (1.0 - cut_in_rad_s / floored) * endless_W
    asked = load_W if load_W < max_W else max_W
    width = REGULATED_SHARE * asked + 1.0
    gap = (able - asked) * (1.0 / width)  # the quotient is the same throughout a step
    sharp = gap if gap > 0.0 else -gap
    square = gap * gap
    soft = (35.0 + square * (140.0 - square * (70.0 - square * (28.0 - square * 5.0)))) / 128.0
    low = asked if asked < able else able
    given = 0.5 * (asked + able - width * soft) if sharp < 1.0 else low
    return given if given > 0.0 else 0.0


@relation
def battery_volts(
    regulated_V: float, resting_V: float, battery_ohm: float, load_W: float, given_W: float
) -> float:
    """Voltage at the battery, by what the alternator does not give of the load.

    Source: Ohm's law; the battery gives what the alternator does not, and then falls from the regulated
    voltage to its own: common practice, no source, within `SURFACE_A`.

    Parameters
    ----------
    regulated_V, resting_V, battery_ohm, load_W, given_W : float
        Voltage the regulator holds, and of the battery without load or charge [V]; resistance of battery and
        leads [ohm]; electric load, and power the alternator gives [W].

    Returns
    -------
    float, not below 6 [V]
    """
    missing_A = (load_W - given_W) / regulated_V
    missing_A = missing_A if missing_A > 0.0 else 0.0
    drained = missing_A / SURFACE_A if missing_A < SURFACE_A else 1.0
    own_V = resting_V if resting_V < regulated_V else regulated_V
    volts = regulated_V - (regulated_V - own_V) * drained - battery_ohm * missing_A
    return volts if volts > 6.0 else 6.0


@relation
def starter_torque(speed_rad_s: float, at_rest_Nm: float, fall_slope: float) -> float:
    """Torque of the starter at the crank: a falling line, nothing once it is overrun.

    Source: a series-wound starter's line near its working point, and its overrunning clutch: common practice,
    no source.

    Parameters
    ----------
    speed_rad_s, at_rest_Nm, fall_slope : float
        Crank speed, 0 or more; torque at standstill, 0 while it is not engaged; fall with speed [rad/s, Nm,
        Nm s/rad].

    Returns
    -------
    float, 0 or more [Nm]
    """
    torque = at_rest_Nm - fall_slope * speed_rad_s
    return torque if torque > 0.0 else 0.0


@relation
def cranking_volts(
    resting_V: float, sag_V_per_Nm: float, starter_Nm: float, battery_ohm: float, load_W: float
) -> float:
    """Voltage at the battery while the alternator gives nothing.

    Source: Ohm's law; a starter's torque follows its current: common practice, no source.

    Parameters
    ----------
    resting_V, sag_V_per_Nm, starter_Nm, battery_ohm, load_W : float
        Battery without load, above 0, its sag with the starter's torque, and that torque [V, V/Nm, Nm];
        resistance of battery and leads, and electric load without the starter [ohm, W].

    Returns
    -------
    float, not below 4 [V]
    """
    volts = resting_V - sag_V_per_Nm * starter_Nm - battery_ohm * load_W / resting_V
    return volts if volts > 4.0 else 4.0


def friction_torque_per_bar(displacement_m3: float) -> float:
    """Torque of one bar of friction mean effective pressure in a four-stroke engine [Nm/bar].

    Source: definition of mean effective pressure, Heywood (1988), ch. 2: T = mep Vd/(4 pi).
    """
    return 1.0e5 * displacement_m3 / (4.0 * math.pi)
