"""Which event comes next, and when: all but firings, which are found by turning the crank."""

from __future__ import annotations

from controllers import pick, relation
from sim.records import NO_EVENT, SCENARIO, THERMAL, UPDATE, VALVE_STEP, Block


@relation
def event_of(s: Block, lane: int, tick: float, next_update: float) -> float:
    """Code of the event due at a tick, the first in order where several are [-]."""
    event = pick(next_update <= tick, UPDATE, NO_EVENT)
    event = pick(s.due_thermal[lane] <= tick, THERMAL, event)
    event = pick(s.due_event[lane] <= tick, SCENARIO, event)
    return pick(s.due_valve[lane] <= tick, VALVE_STEP, event)


@relation
def first_due(s: Block, lane: int, next_update: float) -> float:
    """Tick of the next event that is not a firing [ticks]."""
    first = s.due_valve[lane]
    first = pick(s.due_event[lane] < first, s.due_event[lane], first)
    first = pick(s.due_thermal[lane] < first, s.due_thermal[lane], first)
    return pick(next_update < first, next_update, first)
