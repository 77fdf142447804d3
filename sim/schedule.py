"""One run, narrated: firing, controller, valve and scenario as processes that SimPy schedules.

The processes call the same compiled handlers as the batch loop, in the same order, so that
a trace here and a batch run agree to the last bit.  The clock counts whole nanoseconds;
events of the same instant are ordered by their kind, never by chance.
"""

from __future__ import annotations

from collections.abc import Generator
from typing import Any

import numpy as np
import simpy

from controllers import MEMORY_FIELDS, NEVER, TICKS_PER_s, compiled, matrix
from sim.advance import advance, predicted_firing
from sim.batch import COUNTERS, Blocks, Plan, load_run, write_counters
from sim.car import Car
from sim.firing import draw_noise, read_balance
from sim.handlers import fire_now, handle
from sim.happenings import SETTABLE
from sim.prepare import (
    car_row,
    new_blocks,
    scenario_row,
    settings_row,
    stack_tables,
)
from sim.records import FIRING, NO_EVENT, SCENARIO, STALL, STATE_FIELDS, THERMAL, UPDATE, VALVE_STEP, Tables
from sim.scenario import Scenario
from sim.trace import Happening, Recorder, Trace

URGENT_SHIFT = 10
"""Added to our event codes, so that SimPy's own urgent events come first."""


@compiled
def load_single(blocks: Blocks, plan: Plan, tables: Tables) -> None:
    """Make the first state of the plan's only run in the first lane.

    Parameters
    ----------
    blocks, plan, tables
        As in ``sim.batch.load_run``.
    """
    load_run(blocks, 0, 0, plan, tables)


@compiled
def step_plant(state: np.ndarray, parameters: np.ndarray, memory: np.ndarray) -> float:
    """Advance the plant to its next event.

    Parameters
    ----------
    state, parameters, memory : numpy.ndarray
        Arrays of one block (state is changed).

    Returns
    -------
    float
        Code of the event reached.
    """
    advance(state[0], parameters[0], 0, memory[0].due_update[0], True, False)
    return state[0].event[0]


@compiled
def next_firing(state: np.ndarray, parameters: np.ndarray) -> float:
    """Tick at which the crank is predicted to reach the next firing or step limit.

    Parameters
    ----------
    state, parameters : numpy.ndarray
        Arrays of one block.

    Returns
    -------
    float
        Tick.
    """
    return predicted_firing(state[0], parameters[0], 0)


@compiled
def fire_cylinder(
    state: np.ndarray,
    parameters: np.ndarray,
    settings: np.ndarray,
    memory: np.ndarray,
    balance: np.ndarray,
) -> None:
    """Handle a firing.

    Parameters
    ----------
    state, parameters, settings, memory : numpy.ndarray
        Arrays of one block (changed).
    balance : numpy.ndarray
        Work factors of the cylinders.
    """
    draw_noise(state[0], parameters[0], 0, True)
    read_balance(state[0], parameters[0], 0, balance)
    fire_now(state[0], parameters[0], settings[0], memory[0], 0, True, True)


@compiled
def handle_other(
    state: np.ndarray,
    parameters: np.ndarray,
    settings: np.ndarray,
    memory: np.ndarray,
    tables: Tables,
) -> None:
    """Handle the event reached, which is not a firing.

    Parameters
    ----------
    state, parameters, settings, memory : numpy.ndarray
        Arrays of one block (changed).
    tables : Tables
        Events, valve areas and curves.
    """
    handle(state[0], parameters[0], settings[0], memory[0], 0, tables)


class Reader:
    """Reads single fields of the first lane; far quicker in Python than a record's attribute.

    Parameters
    ----------
    fields : tuple of str
        Field names in order.
    block : numpy.ndarray
        Shape (fields, lanes).
    """

    def __init__(self, fields: tuple[str, ...], block: np.ndarray) -> None:
        self._row = {name: row for row, name in enumerate(fields)}
        self._first = block[:, 0]

    def __call__(self, name: str) -> float:
        return float(self._first[self._row[name]])


class NarratedRun:
    """The processes of one run in a SimPy environment.

    Parameters
    ----------
    car : Car
        The car.
    scenario : Scenario
        The scenario.
    plan : Plan
        A plan of one run.
    """

    def __init__(self, car: Car, scenario: Scenario, plan: Plan) -> None:
        self.car = car
        self.scenario = scenario
        self.tables = stack_tables([car], [scenario])
        self.blocks = new_blocks()
        self.events: list[Happening] = []
        self.four = self.blocks[:4]
        self.state = Reader(STATE_FIELDS, self.blocks.state_matrix)
        self.memory = Reader(MEMORY_FIELDS, self.blocks.memory_matrix)
        self.recorder = Recorder(self.blocks.state_matrix, self.blocks.memory_matrix)
        self.env = simpy.Environment(initial_time=0.0)
        load_single(self.blocks, plan, self.tables)
        self.recorder.keep()
        self._moved = self.env.event()
        self._ended = self.env.event()
        self._crank = self.env.process(self.crank())
        self.env.process(self.controller())
        self.env.process(self.valve())
        self.env.process(self.conditions())
        self.env.process(self.temperatures())

    def run(self) -> None:
        """Run to the end of the scenario."""
        self.env.run(until=self._ended)

    def at(self, tick: float, code: int) -> simpy.Event:
        """Make an event at a tick, ordered among others of that tick by its code.

        Parameters
        ----------
        tick : float
            When [ticks].
        code : int
            Code of the event.

        Returns
        -------
        simpy.Event
            Already scheduled.
        """
        event = self.env.event()
        event._ok = True
        event._value = None
        delay = max(tick - self.env.now, 0.0)
        self.env.schedule(event, priority=URGENT_SHIFT + code, delay=delay)  # type: ignore[arg-type]
        return event

    def tell(self, name: str, text: str) -> None:
        """Add an event in words.

        Parameters
        ----------
        name : str
            Kind of event.
        text : str
            What happened, with numbers.
        """
        seconds = float(self.state("tick")) / TICKS_PER_s
        self.events.append(Happening(seconds, name, text))

    def reach(self, own: int) -> None:
        """Advance to now and handle what is due, which may be of another kind than one's own.

        Parameters
        ----------
        own : int
            Code of the process that woke.
        """
        event = int(step_plant(self.blocks.state, self.blocks.parameters, self.blocks.memory))
        handler = {
            FIRING: self._fire,
            UPDATE: self._update,
            VALVE_STEP: self._step_valve,
            SCENARIO: self._change,
            THERMAL: self._warm,
            STALL: self._stall,
        }.get(event)
        if handler is not None:
            handler()
        self.recorder.keep()
        if self.state("live") < 0.5 and not self._ended.triggered:
            self._ended.succeed()
        if own not in (FIRING, NO_EVENT) and self._crank.is_alive:
            self._crank.interrupt()

    def crank(self) -> Generator[simpy.Event, Any, None]:
        """Turn the crank: fire, and predict anew whenever something else came between."""
        while True:
            try:
                yield self.at(next_firing(self.blocks.state, self.blocks.parameters), FIRING)
            except simpy.Interrupt:
                continue
            self.reach(FIRING)

    def _due(self, name: str) -> float:
        memory_field = name == "due_update"
        record = self.memory if memory_field else self.state
        return record(name)

    def _periodic(self, name: str, code: int) -> Generator[simpy.Event, Any, None]:
        while True:
            due = self._due(name)
            if due >= NEVER:
                return
            yield self.at(due, code)
            if self._due(name) == due:
                self.reach(code)

    def controller(self) -> Generator[simpy.Event, Any, None]:
        """Update at each multiple of the period."""
        yield from self._periodic("due_update", UPDATE)

    def conditions(self) -> Generator[simpy.Event, Any, None]:
        """Let the scenario happen."""
        yield from self._periodic("due_event", SCENARIO)

    def temperatures(self) -> Generator[simpy.Event, Any, None]:
        """Warm the engine in even ticks, where it is not held."""
        yield from self._periodic("due_thermal", THERMAL)

    def valve(self) -> Generator[simpy.Event, Any, None]:
        """Step while the valve is not where it was told; sleep while it is."""
        while True:
            due = self._due("due_valve")
            if due >= NEVER:
                self._moved = self.env.event()
                yield self._moved
                continue
            yield self.at(due, VALVE_STEP)
            if self._due("due_valve") == due:
                self.reach(VALVE_STEP)

    def _wake_valve(self) -> None:
        if self._due("due_valve") < NEVER and not self._moved.triggered:
            self._moved.succeed()

    def _fire(self) -> None:
        fire_cylinder(*self.four, self.tables.balance)
        s = self.state
        self.tell(
            "firing", f"torque {s('torque_Nm'):.1f} Nm, measured {s('measured_rpm'):.0f} rpm"
        )

    def _update(self) -> None:
        k = self.memory
        before = float(k("commanded_steps"))
        handle_other(*self.four, self.tables)
        error = float(k("target_rpm")) - float(self.state("measured_rpm"))
        acts = "" if k("enabled") > 0.5 else ", feedback rests"
        text = (
            f"error {error:+.0f} rpm, trim {k('trim_steps'):+.2f} steps,"
            f" wanted {k('wanted_steps'):.0f}{acts}"
        )
        after = float(k("commanded_steps"))
        if after != before:
            text += f": valve told to go from {before:.0f} to {after:.0f}"
        self.tell("controller update", text)
        self._wake_valve()

    def _step_valve(self) -> None:
        lost = float(self.state("lost_steps"))
        handle_other(*self.four, self.tables)
        s = self.state
        text = f"counted {s('believed_steps'):.0f}, opening {s('pintle_steps'):.1f} steps"
        if s("lost_steps") > lost:
            text += ", step lost"
        self.tell("valve step", text)

    def _change(self) -> None:
        row = int(self.state("next_event"))
        _, code, value = self.tables.events[0, row]
        handle_other(*self.four, self.tables)
        self.tell("scenario", "end" if code < 0 else f"{SETTABLE[int(code)]} = {value:g}")

    def _warm(self) -> None:
        handle_other(*self.four, self.tables)
        self.tell("thermal", f"coolant {self.state('coolant_degC'):.1f} degC")

    def _stall(self) -> None:
        handle_other(*self.four, self.tables)
        self.tell("stall", "the engine has stopped")


def single_plan(
    car: Car, scenario: Scenario, seed: int, base_error_steps: float, rpm_offset: float
) -> Plan:
    """Make a plan of one run.

    Parameters
    ----------
    car, scenario : Car, Scenario
        What to run.
    seed : int
        Seed, 0 to 2**31 - 1.
    base_error_steps : float
        Error of the base curve [steps].
    rpm_offset : float
        Speed at the start above target [rpm].

    Returns
    -------
    Plan
        One run.

    Raises
    ------
    ValueError
        If the seed is out of range.
    """
    if not 0 <= seed < 2**31:
        raise ValueError(f"seed is out of range ({seed}), allowed: 0 to {2**31 - 1}")
    zero = np.zeros(1, dtype=np.int64)
    return Plan(
        cars=matrix(car_row(car)),
        settings=matrix(settings_row(car)),
        scenarios=matrix(scenario_row(scenario)),
        car=zero,
        setting=zero,
        scenario=zero,
        seed=np.array([float(seed)]),
        base_error_steps=np.array([float(base_error_steps)]),
        rpm_offset=np.array([float(rpm_offset)]),
    )


def simulate(
    car: Car,
    scenario: Scenario,
    seed: int = 0,
    *,
    base_error_steps: float = 0.0,
    rpm_offset: float = 0.0,
) -> Trace:
    """Simulate one run, every event named and recorded.

    Parameters
    ----------
    car : Car
        From ``load_car``.
    scenario : Scenario
        From ``load_scenario``.
    seed : int
        Seed of all random numbers, 0 to 2**31 - 1.
    base_error_steps : float
        Steps by which the base curve is off in this run [steps].
    rpm_offset : float
        Speed at the start above target [rpm].

    Returns
    -------
    Trace
        Signals at every event, and the events.

    Raises
    ------
    ValueError
        If the seed is out of range.
    """
    plan = single_plan(car, scenario, seed, base_error_steps, rpm_offset)
    run = NarratedRun(car, scenario, plan)
    run.run()
    times, signals = run.recorder.finish()
    counted = np.zeros((1, len(COUNTERS)))
    write_counters(run.blocks, 0, counted[0])
    counters = dict(zip(COUNTERS, (float(v) for v in counted[0]), strict=True))
    return Trace(
        time_s=times,
        signals=signals,
        events=tuple(run.events),
        stalled_s=counters["stalled_s"],
        name=car.name,
        scenario=scenario.name,
        duration_s=scenario.duration_s,
        counters=counters,
    )
