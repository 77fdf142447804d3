"""The loops over eight lanes become vector instructions: whatever refuses that makes them slow."""

from __future__ import annotations

import re
from typing import Any

import numba
import numpy as np
import pytest

from controllers.compiling import _lent
from sim import batch
from sim.prepare import new_blocks
from sim.runs import LANES


@pytest.fixture(scope="module", params=["vector_basic", "vector_full"])
def code(request: pytest.FixtureRequest) -> str:
    """What the compiler made of a loop over lanes, before it becomes machine code."""
    blocks = new_blocks()
    arguments = (
        blocks.state[0], blocks.parameters[0], blocks.settings[0], blocks.memory[0],
        LANES, np.ones((1, 8)),
    )  # fmt: skip
    plain = getattr(batch, request.param).py_func
    options: Any = {"error_model": "numpy", "nogil": True, **_lent(plain)}
    loop = numba.njit(**options)(plain)
    kinds = [numba.typeof(one) for one in arguments]  # type: ignore[no-untyped-call]
    loop.compile(tuple(kinds))
    return str(loop.inspect_llvm(loop.signatures[0]))


def test_every_division_of_the_lanes_is_one_of_vectors(code: str) -> None:
    vectors = len(re.findall(r"fdiv <\d+ x double>", code))
    singles = len(re.findall(r"fdiv double", code))  # those of the lanes that are left over
    assert vectors >= 9
    assert singles <= vectors


def test_what_a_lane_keeps_is_written_whole(code: str) -> None:
    assert "freeze" in code  # what hides it from the last steps of the compiler
    if numba.__version__.startswith("0.62."):
        return  # its older LLVM looks through that: slower there, and the same numbers
    assert "call void @llvm.masked.store" not in code


def test_nobody_counts_who_holds_the_arrays(code: str) -> None:
    assert not re.findall(r"call [^\n]*@NRT_(?:incref|decref)", code)
