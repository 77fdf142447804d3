"""One run, narrated: firing, controller, valve and scenario as processes that SimPy schedules.

They call the same compiled handlers as the batch loop, in the same order, so that a trace here and a batch
run agree to the last bit. Events of the same tick are ordered by their kind, never by chance.
"""

from __future__ import annotations

from collections.abc import Callable, Generator
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import simpy

from controllers import MEMORY_FIELDS, NEVER, TICKS_PER_s, compiled, controller_row, machine_code, matrix
from sim.advance import advance, predicted_firing
from sim.car import Car, load_car
from sim.handlers import battery_now, fire_alone, handle
from sim.happenings import SETTABLE
from sim.prepare import car_row, scenario_row, stack_tables
from sim.records import (
    FIRING,
    NO_EVENT,
    RACE,
    SCENARIO,
    STALL,
    STATE_FIELDS,
    THERMAL,
    UPDATE,
    VALVE_STEP,
    Tables,
)
from sim.runs import COUNTERS, Blocks, Plan, load_run, new_blocks, write_counters
from sim.scenario import KEY_POSITIONS, Scenario, load_scenario
from sim.sensors import RPM_PER_rad_s
from sim.starting import KEY_OFF
from sim.trace import Happening, Recorder, Trace

URGENT_SHIFT = 10  # Added to our event codes, so that SimPy's own urgent events come first.
DUES = {"due_update": UPDATE, "due_valve": VALVE_STEP, "due_event": SCENARIO, "due_thermal": THERMAL}
"""Fields that hold when the next event of a kind is due."""


@compiled
def load_single(blocks: Blocks, plan: Plan, tables: Tables) -> None:
    """Make the first state of the plan's only run in the first lane."""
    load_run(blocks, 0, 0, plan, tables)


@compiled
def step_plant(state: np.ndarray, parameters: np.ndarray, memory: np.ndarray) -> float:
    """Advance the plant to its next event; gives its code [-]."""
    advance(state[0], parameters[0], 0, memory[0].due_update[0], True, True, False)
    return state[0].event[0]


@compiled
def next_firing(state: np.ndarray, parameters: np.ndarray) -> float:
    """Tick at which the crank is predicted to reach the next firing or step limit [ticks]."""
    return predicted_firing(state[0], parameters[0], 0)


@compiled
def fire_cylinder(
    state: np.ndarray, parameters: np.ndarray, settings: np.ndarray, memory: np.ndarray, tables: Tables
) -> None:
    """Handle a firing."""
    fire_alone(state[0], parameters[0], settings[0], memory[0], 0, tables, True)


@compiled
def handle_other(
    state: np.ndarray, parameters: np.ndarray, settings: np.ndarray, memory: np.ndarray, tables: Tables
) -> None:
    """Handle the event reached, which is not a firing."""
    handle(state[0], parameters[0], settings[0], memory[0], 0, tables)


@compiled
def volts_now(state: np.ndarray, parameters: np.ndarray) -> float:
    """Battery voltage [V]."""
    return battery_now(state[0], parameters[0], 0)


class Reader:
    """Reads fields of the first lane from a block's matrix; far quicker in Python than an attribute."""

    def __init__(self, fields: tuple[str, ...], block: np.ndarray) -> None:
        self._row = {name: row for row, name in enumerate(fields)}
        self._first = block[:, 0]

    def __call__(self, name: str) -> float:
        """Read a field."""
        return float(self._first[self._row[name]])


class _Steps:
    """The compiled steps of one run, bound to its arrays."""

    def __init__(self, blocks: Blocks, tables: Tables) -> None:
        def bound(function: Callable[..., Any], *given: Any) -> Callable[[], Any]:
            return partial(machine_code(function, *given), *given)

        state, parameters, settings, memory = blocks[:4]
        self.reach = bound(step_plant, state, parameters, memory)
        self.next_firing = bound(next_firing, state, parameters)
        self.volts = bound(volts_now, state, parameters)
        self.fire = bound(fire_cylinder, state, parameters, settings, memory, tables)
        self.handle = bound(handle_other, state, parameters, settings, memory, tables)


class NarratedRun:
    """The processes of one run, a plan of its own, in a SimPy environment."""

    def __init__(self, car: Car, scenario: Scenario, plan: Plan) -> None:
        self.car = car
        self.scenario = scenario
        self.tables = stack_tables([car], [scenario])
        self.blocks = new_blocks()
        self.events: list[Happening] = []
        self.state = Reader(STATE_FIELDS, self.blocks.state_matrix)
        self.memory = Reader(MEMORY_FIELDS, self.blocks.memory_matrix)
        self.recorder = Recorder(self.blocks.state_matrix, self.blocks.memory_matrix)
        self.env = simpy.Environment(initial_time=0.0)
        load_single(self.blocks, plan, self.tables)
        self.steps = _Steps(self.blocks, self.tables)
        self._handlers: dict[int, Callable[[], Any]] = {
            FIRING: self._fire, UPDATE: self._update, VALVE_STEP: self._step_valve, SCENARIO: self._change,
            THERMAL: self._warm, STALL: self._stall, RACE: self._race,
        }  # fmt: skip
        self._keep()
        self._asleep: dict[str, simpy.Event] = {}
        self._ended = self.env.event()
        self._crank = self.env.process(self.crank())
        for name, code in DUES.items():
            self.env.process(self.wait_for(name, code))

    def run(self) -> None:
        """Run to the end of the scenario."""
        self.env.run(until=self._ended)

    def at(self, tick: float, code: int) -> simpy.Event:
        """Make an event at a tick, ordered among others of that tick by its code."""
        event = self.env.event()
        event._ok = True
        event._value = None
        delay = max(tick - self.env.now, 0.0)
        self.env.schedule(event, priority=URGENT_SHIFT + code, delay=delay)  # type: ignore[arg-type]
        return event

    def tell(self, name: str, text: str) -> None:
        """Add an event in words."""
        seconds = float(self.state("tick")) / TICKS_PER_s
        self.events.append(Happening(seconds, name, text))

    def reach(self, own: int) -> None:
        """Advance to now and handle what is due, which may be of another kind than one's own."""
        # A mere step of the integrator has no handler of its own; an engine at rest may still be
        # forgotten by its sensor.
        self._handlers.get(int(self.steps.reach()), self.steps.handle)()
        self._keep()
        for name, sleeping in self._asleep.items():
            if self._due(name) < NEVER and not sleeping.triggered:
                sleeping.succeed()
        if self.state("live") < 0.5 and not self._ended.triggered:
            self._ended.succeed()
        if own not in (FIRING, NO_EVENT) and self._crank.is_alive:
            self._crank.interrupt()

    def crank(self) -> Generator[simpy.Event, Any, None]:
        """Turn the crank: fire, and predict anew whenever something else came between."""
        while True:
            try:
                yield self.at(self.steps.next_firing(), FIRING)
            except simpy.Interrupt:
                continue
            self.reach(FIRING)

    def wait_for(self, name: str, code: int) -> Generator[simpy.Event, Any, None]:
        """Handle events of one kind when they are due; sleep while none is."""
        while True:
            due = self._due(name)
            if due >= NEVER:
                self._asleep[name] = self.env.event()
                yield self._asleep[name]
                continue
            yield self.at(due, code)
            if self._due(name) == due:
                self.reach(code)

    def _due(self, name: str) -> float:
        return (self.memory if name == "due_update" else self.state)(name)

    def _keep(self) -> None:
        self.recorder.keep(self.steps.volts())

    def _fire(self) -> None:
        ran = self.state("running") > 0.5
        self.steps.fire()
        s = self.state
        lit = "" if s("ignition") > 0.0 else ", charge not lit"
        text = f"torque {s('torque_Nm'):.1f} Nm, measured {s('measured_rpm'):.0f} rpm{lit}"
        self.tell("firing", text)
        if not ran and s("running") > 0.5:
            self.tell("start", f"the engine runs, {s('cranked'):.0f} firings after the key")

    def _update(self) -> None:
        k = self.memory
        before = float(k("commanded_steps"))
        self.steps.handle()
        error = float(k("target_rpm")) - float(self.state("measured_rpm"))
        acts = "" if k("enabled") > 0.5 else ", feedback rests"
        text = (
            f"error {error:+.0f} rpm, trim {k('trim_steps'):+.2f} steps, wanted {k('wanted_steps'):.0f}{acts}"
        )
        after = float(k("commanded_steps"))
        if after != before:
            text += f": valve told to go from {before:.0f} to {after:.0f}"
        self.tell("controller update", text)

    def _step_valve(self) -> None:
        s = self.state
        lost, homing = float(s("lost_steps")), s("homing") > 0.5
        self.steps.handle()
        text = f"counted {s('believed_steps'):.0f}, opening {s('pintle_steps'):.1f} steps"
        if s("lost_steps") > lost:
            text += ", no step made" if homing else ", step lost"
        self.tell("valve step", text)
        if homing and s("homing") < 0.5:
            self.tell("homing", f"counted as at the seat; the valve is at {s('shaft_steps'):.0f}")

    def _change(self) -> None:
        row = int(self.state("next_event"))
        _, code, value = self.tables.events[0, row]
        self.steps.handle()
        name = SETTABLE[int(code)] if code >= 0 else ""
        shown = KEY_POSITIONS[int(value)] if name == "key" else f"{value:g}"
        self.tell("scenario", f"{name} = {shown}" if name else "end")

    def _warm(self) -> None:
        self.steps.handle()
        s = self.state
        self.tell("thermal", f"coolant {s('coolant_degC'):.1f}, oil {s('oil_degC'):.1f} degC")

    def _stall(self) -> None:
        self.steps.handle()
        switched_off = self.state("key") == KEY_OFF
        self.tell("stop" if switched_off else "stall", "the engine has stopped")

    def _race(self) -> None:
        self.steps.handle()
        turning = self.state("speed_rad_s") * RPM_PER_rad_s
        self.tell("racing", f"over-speed, {turning:.0f} rpm: the run ends here")


def single_plan(car: Car, scenario: Scenario, seed: int, base_error_steps: float, rpm_offset: float) -> Plan:
    """Make a plan of one run."""
    if not 0 <= seed < 2**31:
        raise ValueError(f"seed is out of range ({seed}), allowed: 0 to {2**31 - 1}")
    zero = np.zeros(1, dtype=np.int64)
    return Plan(
        cars=matrix(car_row(car)), settings=matrix(controller_row(car)),
        scenarios=matrix(scenario_row(scenario)), car=zero, setting=zero, scenario=zero,
        seed=np.array([float(seed)]), base_error_steps=np.array([float(base_error_steps)]),
        rpm_offset=np.array([float(rpm_offset)]),
    )  # fmt: skip


def simulate(
    car: Car | str | Path, scenario: Scenario | str | Path, seed: int = 0, *,
    base_error_steps: float = 0.0, rpm_offset: float = 0.0,
) -> Trace:  # fmt: skip
    """Simulate one run, every event named and recorded.

    Parameters
    ----------
    car, scenario : Car, Scenario, str or Path
        Or what ``load_car`` and ``load_scenario`` take: a file, or a name of ``bundled_cars`` or
        ``bundled_scenarios``.
    seed : int
        Seed of all random numbers, 0 to 2**31 - 1.
    base_error_steps, rpm_offset : float
        Steps by which the base curve is off in this run, the part of a step in it as air past the valve,
        which takes whole positions only; speed at the start above target [steps, rpm].

    Returns
    -------
    Trace: signals at every event, and the events

    Raises
    ------
    InputError
        If a file is not there or not right; a seed out of range is a ValueError.
    """
    car = car if isinstance(car, Car) else load_car(car)
    scenario = scenario if isinstance(scenario, Scenario) else load_scenario(scenario)
    plan = single_plan(car, scenario, seed, base_error_steps, rpm_offset)
    run = NarratedRun(car, scenario, plan)
    run.run()
    times, signals = run.recorder.finish()
    counted = np.zeros((1, len(COUNTERS)))
    write_counters(run.blocks, 0, counted[0])
    counters = dict(zip(COUNTERS, (float(v) for v in counted[0]), strict=True))
    return Trace(
        time_s=times, signals=signals, events=tuple(run.events), stalled_s=counters["stalled_s"],
        name=car.name, scenario=scenario.name, duration_s=scenario.duration_s, counters=counters,
    )  # fmt: skip
