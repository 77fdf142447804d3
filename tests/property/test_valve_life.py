"""Random lives of a valve: after homing it is where it is counted, until a step is lost."""

from __future__ import annotations

from typing import Any

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from sim import Scenario, Trace, load_car, simulate, with_values

LENGTH_s = 12.0


def happening(names: dict[str, Any]) -> st.SearchStrategy[dict[str, Any]]:
    """One event of one of some kinds, at any time."""
    kinds = [
        st.fixed_dictionaries({"at_s": st.floats(0.1, LENGTH_s - 0.5), "set": st.just(name), "to": values})
        for name, values in names.items()
    ]
    return st.one_of(*kinds)


HARMLESS = happening(
    {
        "home": st.just(1.0),
        "key": st.sampled_from(["off", "on", "crank"]),
        "throttle_share": st.sampled_from([0.0, 0.2]),
        "electrical_W": st.floats(0.0, 200.0),
        "coolant_degC": st.floats(0.0, 60.0),
        "valve_sticks": st.sampled_from([0.0, 1.0]),
    }
)
HARMFUL = happening({"lost_steps": st.integers(-20, 20).map(float)})


def life(start: str, events: list[dict[str, Any]], seed: int, homing: int = 150) -> Trace:
    """Run the trials car through some events; its limit lies within its travel."""
    car = with_values(load_car("trials"), {"valve": {"homing_steps": homing}})
    values = {
        "name": "life", "start": start, "duration_s": LENGTH_s, "coolant_degC": 40.0,
        "ambient_degC": 20.0, "event": events,
    }  # fmt: skip
    return simulate(car, Scenario.model_validate(values), seed=seed)


def errors(trace: Trace) -> tuple[np.ndarray, np.ndarray]:
    """True less counted position, and where the valve is neither homing nor about to."""
    return trace["shaft_steps"] - trace["believed_steps"], trace["homing"] < 0.5


@settings(max_examples=25)
@given(
    start=st.sampled_from(["idle", "key_on"]),
    events=st.lists(HARMLESS, max_size=6),
    seed=st.integers(0, 1000),
)
def test_counted_is_true_after_homing_while_no_step_is_lost(
    start: str, events: list[dict[str, Any]], seed: int
) -> None:
    trace = life(start, events, seed)
    error, calm = errors(trace)
    powered = trace["key"] > 0.5
    lost = np.diff(trace["lost_steps"], prepend=0.0) > 0.0
    # A step lost outside homing, on a cranking battery, is told apart: only up to there is it true.
    spoilt = np.flatnonzero(lost & (trace["homing"] < 0.5) & (np.roll(trace["homing"], 1) < 0.5))
    end = spoilt[0] if spoilt.size else error.size
    seen = (calm & powered)[:end]
    assert np.all(error[:end][seen] == 0.0)


@settings(max_examples=25)
@given(harm=st.lists(HARMFUL, min_size=1, max_size=4), seed=st.integers(0, 1000))
def test_an_error_stays_as_it_is_until_the_next_loss(harm: list[dict[str, Any]], seed: int) -> None:
    trace = life("idle", harm, seed)
    error, _ = errors(trace)
    lost = np.diff(trace["lost_steps"], prepend=0.0) > 0.0
    changed = np.diff(error, prepend=0.0) != 0.0
    assert not np.any(changed & ~lost)


@settings(max_examples=15)
@given(harm=st.lists(HARMFUL, min_size=1, max_size=4), seed=st.integers(0, 1000))
def test_homing_ends_every_error(harm: list[dict[str, Any]], seed: int) -> None:
    early = [event | {"at_s": event["at_s"] / 2.0} for event in harm]
    trace = life("idle", [*early, {"at_s": 7.0, "set": "home", "to": 1.0}], seed)
    error, calm = errors(trace)
    assert calm[-1]
    assert error[-1] == 0.0
