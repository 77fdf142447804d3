"""Many runs as one call: cars by settings by scenarios by seeds, streamed over the cores."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any

import numpy as np

from controllers import SETTINGS_FIELDS, Feedback, TICKS_PER_s, compile_part, controller_row, matrix
from sim.batch import run_rows
from sim.begin import SCENARIO_FIELDS
from sim.car import Car
from sim.handlers import advance_alone, fire_alone, general_step, handle
from sim.happenings import SETTABLE
from sim.prepare import car_row, new_blocks, scenario_row, stack_tables
from sim.records import CAR_FIELDS, Tables
from sim.runs import COUNTERS, LANES, Plan, SAMPLE_s, load_run
from sim.scenario import Scenario

CHUNK_RUNS = 256  # Runs that one thread does at a time, at most: its samples stay in the second-level cache.

_LOCAL = threading.local()

Reduce = Callable[[np.ndarray, np.ndarray, np.ndarray, np.ndarray], None]
"""Called in the worker thread with rows of the plan, samples of rpm and steps, counters."""


@dataclass(frozen=True)
class Fleet:
    """Cars and scenarios turned into tables once, to be run many times."""

    cars: np.ndarray  # a row each; may be replaced by perturbed copies of the rows
    scenarios: np.ndarray  # a row each
    tables: Tables  # of both
    names: tuple[str, ...]  # of the scenarios

    @property
    def needs_full(self) -> bool:
        """Whether any car or scenario uses a feature that the basic loop leaves out."""
        extras = ("wall_share", "fuelling_lag_s", "advance_deg_per_rpm", "rpm_resolution", "rpm_noise")
        used = self.cars[:, [CAR_FIELDS.index(name) for name in extras]]
        codes = self.tables.events[:, :, 1]
        special = [SETTABLE.index(name) for name in ("advance_deg_per_100rpm", "rpm_noise_rpm")]
        return bool(np.any(used != 0.0)) or bool(np.isin(codes, special).any())


def make_fleet(cars: Sequence[Car], scenarios: Sequence[Scenario]) -> Fleet:
    """Turn cars and scenarios, at least one of each, into tables."""
    return Fleet(
        cars=np.vstack([matrix(car_row(car)) for car in cars]),
        scenarios=np.vstack([matrix(scenario_row(scenario)) for scenario in scenarios]),
        tables=stack_tables(cars, scenarios),
        names=tuple(scenario.name for scenario in scenarios),
    )


def settings_table(cars: Sequence[Car]) -> np.ndarray:
    """Stack the feedback settings of several cars: shape (cars, settings fields)."""
    return np.vstack([matrix(controller_row(car)) for car in cars])


def settings_of(car: Car, choices: Sequence[Feedback]) -> np.ndarray:
    """Stack several feedback settings for one car, whose open limit goes with each.

    Shape (choices, settings fields).
    """
    return np.vstack([matrix(controller_row(car, one)) for one in choices])


def full_plan(
    fleet: Fleet, settings: np.ndarray, *, seeds: Sequence[int] | np.ndarray = (0,),
    base_error_steps: Sequence[float] | np.ndarray = (0.0,),
    rpm_offset: Sequence[float] | np.ndarray = (0.0,), pair_settings_with_cars: bool = False,
) -> Plan:  # fmt: skip
    """Plan every combination, setting by setting, then car, then scenario, then seed.

    Parameters
    ----------
    fleet, settings : Fleet, numpy.ndarray
        Settings of shape (settings, fields).
    seeds : sequence of int
        0 to 2**31 - 1; the same for every combination (common random numbers).
    base_error_steps, rpm_offset : sequence of float
        Starting phases: the n-th seed takes the n-th, repeated as needed [steps, rpm].
    pair_settings_with_cars : bool
        Use setting n with car n only (as many settings as cars).

    Returns
    -------
    Plan
    """
    count = len(seeds)
    shape = (1 if pair_settings_with_cars else len(settings), len(fleet.cars), len(fleet.scenarios), count)
    setting, car, scenario, which = (axis.ravel() for axis in np.indices(shape))
    errors = np.resize(np.asarray(base_error_steps, dtype=float), count)
    offsets = np.resize(np.asarray(rpm_offset, dtype=float), count)
    return Plan(
        cars=np.ascontiguousarray(fleet.cars), settings=np.ascontiguousarray(settings, dtype=float),
        scenarios=np.ascontiguousarray(fleet.scenarios), car=car,
        setting=car if pair_settings_with_cars else setting, scenario=scenario,
        seed=np.asarray(seeds, dtype=float)[which], base_error_steps=errors[which], rpm_offset=offsets[which],
    )  # fmt: skip


def compile_parts(fleet: Fleet, plan: Plan) -> Iterator[None]:
    """Compile what a run calls, part by part, those called last first: two processes share the work."""
    blocks, tables = new_blocks(), fleet.tables
    s, p, c, k = (block[0] for block in blocks[:4])
    one = (s, p, c, k, 0, tables)
    parts = (
        (handle, one), (fire_alone, (*one, True)), (advance_alone, (s, p, 0, 0.0, True)),
        (load_run, (blocks, 0, 0, plan, tables)), (general_step, (*one, True)),
    )  # fmt: skip
    for function, arguments in parts:
        compile_part(function, arguments)
        yield


def sample_count(fleet: Fleet) -> int:
    """Samples kept of each run: enough for the longest scenario."""
    longest = fleet.scenarios[:, SCENARIO_FIELDS.index("duration_ticks")].max() / TICKS_PER_s
    return int(np.ceil(longest / SAMPLE_s - 1.0e-9))


def run_plan(
    fleet: Fleet, plan: Plan, reduce: Reduce, *, cores: int | None = None, full: bool | None = None,
    side_by_side: bool = True, on_done: Callable[[int], None] | None = None,
) -> None:  # fmt: skip
    """Run a plan chunk by chunk over the cores, handing each chunk to a reduction.

    Memory does not grow with the number of runs; results do not depend on the cores.

    Parameters
    ----------
    fleet, plan : Fleet, Plan
    reduce : callable
        Called in the worker threads with (rows, rpm, steps, counters): indices of the runs, samples [rpm] and
        [steps] of shape (rows, samples), counters of shape (rows, len(COUNTERS)). It must not keep the
        arrays.
    cores : int, optional
        Threads; all cores when left out.
    full, side_by_side : bool, optional
        Force the loop with every feature (by need when left out); eight lanes at once, else one run after the
        other.
    on_done : callable, optional
        Called with the number of runs finished by each chunk.
    """
    trims_spark = bool(np.any(plan.settings[:, SETTINGS_FIELDS.index("spark_deg_per_rpm")] != 0.0))
    with_all = fleet.needs_full or trims_spark if full is None else full
    stopped = threading.Event()
    threads = max(1, cores or os.cpu_count() or 1)
    shared = LANES * -(-len(plan.car) // (threads * LANES))  # a thread's part, in whole sets of lanes
    size = min(CHUNK_RUNS, max(LANES, shared))
    work = _chunk_work(fleet, plan, reduce, size, with_all, side_by_side, stopped)
    chunks = range(0, len(plan.car), size)
    report = on_done or (lambda _: None)
    if threads == 1 or len(chunks) == 1:
        for chunk in chunks:
            report(work(chunk))
        return
    with ThreadPoolExecutor(threads) as pool:
        try:
            for done in pool.map(work, chunks):
                report(done)
        except BaseException:
            stopped.set()
            pool.shutdown(wait=True, cancel_futures=True)
            raise


def _chunk_work(
    fleet: Fleet, plan: Plan, reduce: Reduce, size: int, full: bool, side_by_side: bool,
    stopped: threading.Event,
) -> Callable[[int], int]:  # fmt: skip
    """Make the function that runs the chunk of a plan from a row on and hands it to the reduction."""
    samples = sample_count(fleet)

    def work(first: int) -> int:
        last = min(first + size, len(plan.car))
        memory = _thread_memory(samples)
        rpm, steps, counters = memory["rpm"], memory["steps"], memory["counters"]
        parts = run_rows(
            memory["blocks"], plan, fleet.tables, first, last, rpm, steps, counters,
            full, side_by_side,
        )  # fmt: skip
        for _ in parts:
            if stopped.is_set():
                return 0
        done = last - first
        reduce(np.arange(first, last), rpm[:done], steps[:done], counters[:done])
        return done

    return work


def _thread_memory(samples: int) -> dict[str, Any]:
    """Working memory of the calling thread; kept from chunk to chunk."""
    rows = CHUNK_RUNS + LANES
    memory = getattr(_LOCAL, "memory", None)
    if memory is None or memory["rpm"].shape[1] != samples:
        memory = {
            "blocks": new_blocks(), "rpm": np.zeros((rows, samples), dtype=np.float32),
            "steps": np.zeros((rows, samples), dtype=np.float32), "counters": np.zeros((rows, len(COUNTERS))),
        }  # fmt: skip
        _LOCAL.memory = memory
    return dict(memory)
