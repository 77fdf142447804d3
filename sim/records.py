"""The plant's plain records: parameters of a run, state of a run, and the tables beside them.

Inside everything is SI: Pa, kg, K, rad/s, J. Each block field holds one float64 a lane.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

CAR_FIELDS = (
    "gas_Pa_per_kg",  # R T / V of the manifold
    "leak_m2",  # throttle shut, effective
    "open_m2",  # throttle fully open
    "pump0", "pump1", "pump2", "pump3",  # air drawn per radian over pressure
    "fill0", "fill1",  # volumetric efficiency over speed
    "inverse_inertia",
    "exhaust_Pa",  # 0: as ambient
    "pumping_m3_per_rad",  # 0 when friction includes pumping
    "friction0", "friction1", "friction2",  # warm torque over speed
    "work_J_per_kg",  # indicated work per air at best spark and mixture
    "delay0", "delay1", "delay2", "delay3",  # shares of the last four charges in the torque
    "firing_rad",  # crank angle between firings
    "firings_per_rad",
    "cylinders",
    "angle_cap_rad",  # largest crank angle in one integration step
    "step_cap_ticks",  # largest time in one integration step
    "scatter_share",
    "scatter_memory",
    "scatter_fresh",  # share of fresh scatter that keeps its variance
    "spark_base_deg", "spark_best_deg", "spark_loss_per_deg2", "advance_deg_per_rpm",
    "lambda_base", "lambda_best", "mixture_loss",
    "spark_cold_deg", "lambda_cold",  # what a stone cold engine has more than a warm one
    "wall_share", "wall_s", "fuelling_lag_s",
    "base_W", "regulated_V", "battery_ohm",
    "alternator_max_W", "cut_in_rad_s", "alternator_endless_W", "inverse_efficiency",
    "inverse_lag_per_s",
    "lamps_W", "fan_W", "screen_W",
    "steering_Nm", "aircon_Nm", "gearbox_Nm", "clutch_Nm",
    "rpm_keep",  # share of the old reading kept at each firing
    "rpm_resolution",  # 0: none
    "rpm_noise",
    "inverse_map_lag_per_s",
    "coolant_lag_s",
    "travel_steps", "open_limit_steps", "homing_steps", "backlash_steps", "direction",
    "series_m2",  # infinity: none
    "step_ticks", "pulse_s", "pull_in_s",
    "stall_rad_s", "overspeed_rad_s",  # below the one it stalls, from the other on it races
    "gearbox_rad_s",  # speed at which gearbox_Nm is taken
    "start_rad_s",  # speed from which a cranked engine counts as running
    "starter_Nm", "starter_Nms",  # starter torque at rest and its fall with speed, full battery
    "resting_V", "sag_V_per_Nm",
    "oil_a", "oil_b", "oil_warm_mm2_s", "rubbing_share",  # viscosity law; what follows the oil
    "coolant_J_per_K", "oil_J_per_K", "loss_W_per_K", "thermostat_degC",
    "air_cooled",  # 1: fan and fins, no radiator
    "oil_loss_share",  # loss of the oil to the air over its exchange with the engine
    "senses_oil",  # 1: the controller reads the oil's temperature
    "warm_gas_K", "warm_gas_Pa_per_kg",  # of the air in the manifold of a warm engine
    "warm_pump0", "warm_pump1", "warm_pump2", "warm_pump3",
    "heat_J_per_kg",  # to the coolant, for each kg of air burnt
)  # fmt: skip
"""Parameters that belong to the car; one row a car."""

AMBIENT_FIELDS = (
    "ambient_Pa",
    "ambient_K",
    "flow_scale",  # ambient pressure over sqrt(R T)
    "behind_Pa",  # exhaust pressure in force
    "choked_below_Pa",  # manifold pressure up to which all openings are choked
    "seed",
    "base_error_steps",  # whole steps in the curve; the rest is in leak_m2
    "end_tick",
    "row_car", "row_scenario",  # rows of the tables
)  # fmt: skip
"""Parameters that a run adds to its car."""

RUN_FIELDS = CAR_FIELDS + AMBIENT_FIELDS

STATE_FIELDS = (
    "tick",  # now
    "map_Pa", "speed_rad_s", "angle_rad", "given_W",  # continuous states
    "map_lagged_Pa", "map_sensed_Pa",  # fuelling's and the sensor's manifold pressure
    "drawn_kg",  # air drawn since the last firing
    "in_kg", "out_kg", "resisted_J", "indicated_J",  # the books: air, and work at the crank
    "torque_Nm",  # indicated, held from firing to firing
    "work0", "work1", "work2", "work3",  # work of the last four charges, newest first
    "resist0", "resist1", "resist2",  # friction and accessories in force
    "friction_factor",  # cold oil
    "opening_m2",  # all openings together
    "load_W",  # electric load in force
    "efficiency",  # of spark and mixture where both are constant
    "advance_deg_per_rpm",  # the spark table's slope in force
    "spark_deg",
    "lambda_",
    "spark_wanted_deg", "lambda_wanted",  # of the idle tables at this temperature
    "film_kg",
    "scatter", "gauss", "sensor_gauss", "balance",
    "cylinder",  # which fires next
    "firings",
    "fired_tick",  # last firing
    "measured_rpm",  # what the controller sees
    "due_valve", "due_event", "due_thermal",  # ticks of the next events
    "next_event",  # row of the next scenario event
    "believed_steps", "shaft_steps", "pintle_steps",  # valve: counted, turned, opening
    "moving",  # 1 while a valve step is under way
    "valve_steps", "lost_steps",  # counts
    "throttle_share", "vacuum_leak_m2", "valve_sticks", "backlash_steps", "direction",
    "weak_share", "rpm_noise",
    "lamps", "fan", "screen", "steering", "aircon", "gearbox", "clutch",
    "electrical_W", "torque_load_Nm",
    "regulated_V",
    "coolant_degC", "oil_degC", "coolant_sensed_degC",
    "lowest_rad_s",
    "starter0_Nm", "starter1_Nms",  # starter torque at rest and its fall with speed
    "ignition",  # 1 while charges are lit
    "running",  # 1 running, 0 stopped or cranking
    "key",  # 0 off, 1 on, 2 crank
    "homing",  # 1 while the valve is driven to its seat
    "starting",  # 1 from cranking until every charge burns well: always on the general path
    "cranked",  # firings since cranking began
    "caught",  # of them, the last ones in a row above the starter's reach
    "resting_V",  # battery without load
    "first_start_tick",  # NEVER until the engine runs
    "stalled_tick",  # NEVER while it has not
    "raced_tick",  # NEVER while its speed has kept below all that an engine stands
    "live",  # 1 until the end of the run
    "event",  # code of the event that the last step reached
    "scalar",  # 1 where the next step must take the general path
)  # fmt: skip

NO_EVENT, FIRING, VALVE_STEP, SCENARIO, THERMAL, UPDATE, STALL, RACE, END = range(9)
"""Codes of events, in the order in which events of the same tick are handled."""

VALVE_TABLE_STEPS = 513  # Steps the valve's area table can hold.
MOST_CYLINDERS = 12


class Tables(NamedTuple):
    """Everything of cars and scenarios that is not one number.

    ``valve_m2``: (cars, whole steps); ``balance``, work factor of each cylinder: (cars, MOST_CYLINDERS);
    ``curves``: (cars, 4, 2, points); ``events``, tick, code of what is set and value: (scenarios, events, 3),
    the last is the end.
    """

    valve_m2: np.ndarray
    balance: np.ndarray
    curves: np.ndarray
    events: np.ndarray


Block = Any  # A record of float64 fields, one entry a lane.
