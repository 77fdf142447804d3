"""How well a hunting log alone tells the worth of a step, some two minutes of one core.

Engines 131 to 169, odd, served for building, even ones for the figure only; figures in DEVELOPERS.md.  Run
with ``python -m pytest -m bench tests/bench/test_hunting_fits.py``.
"""

from __future__ import annotations

import pytest

from tests.bench.telling import show
from tests.hunting_fits import hunting_fit

pytestmark = pytest.mark.bench
ENGINES = tuple(range(132, 171, 2))


@pytest.mark.parametrize("minutes", [3, 5])
def test_hunting_logs_tell_or_are_refused(minutes: int, capsys: pytest.CaptureFixture[str]) -> None:
    every = [one for seed in ENGINES if (one := hunting_fit(seed, 60.0 * minutes))]
    trusted = [one for one in every if one.trusted]
    lines = [
        f"{one.seed}: {one.true_rpm:.1f} told {one.worth_rpm:.1f} ({one.low_rpm:.1f} to {one.high_rpm:.1f})"
        f"{'' if one.trusted else ', refused'}"
        for one in every
    ]
    held = sum(one.low_rpm <= one.true_rpm <= one.high_rpm for one in trusted)
    show(
        capsys,
        "\n".join(lines) + f"\n{len(every)} hunt, {len(trusted)} trusted, of them"
        f" {sum(one.near for one in trusted)} within 10 %, the interval holds the truth in {held}",
    )
    assert len(every) >= 0.8 * len(ENGINES)
    assert held >= 0.7 * len(trusted)
