"""The loops over eight lanes become vector instructions: whatever refuses that makes them slow."""

from __future__ import annotations

import re

import numba
import numpy as np
import pytest

from sim import batch
from sim.batch import LANES
from sim.prepare import new_blocks


@pytest.mark.parametrize("name", ["vector_basic", "vector_full"])
def test_every_division_of_the_lanes_is_one_of_vectors(name: str) -> None:
    blocks = new_blocks()
    arguments = (
        blocks.state[0], blocks.parameters[0], blocks.settings[0], blocks.memory[0],
        LANES, np.ones((1, 8)),
    )  # fmt: skip
    loop = numba.njit(error_model="numpy", nogil=True)(getattr(batch, name).py_func)
    kinds = [numba.typeof(one) for one in arguments]  # type: ignore[no-untyped-call]
    loop.compile(tuple(kinds))
    code = loop.inspect_llvm(loop.signatures[0])
    vectors = len(re.findall(r"fdiv <\d+ x double>", code))
    singles = len(re.findall(r"fdiv double", code))  # those of the lanes that are left over
    assert vectors >= 9
    assert singles <= vectors
