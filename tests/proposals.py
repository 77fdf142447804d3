"""Curves proposed for a car, made once for all tests of one process."""

from __future__ import annotations

import functools

from sim import load_car
from tuning.open_loop.from_model import BaseProposal, base_from_model


@functools.cache
def proposal_for(name: str) -> BaseProposal:
    """What the model proposes for a demonstration car."""
    return base_from_model(load_car(name))
