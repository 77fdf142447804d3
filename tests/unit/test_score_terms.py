"""The terms of the score held against another implementation, of scipy's and numpy's parts."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import butter, sosfiltfilt

from tests.foreign_drive import drive, rest
from tests.foreign_engine import make_engine
from tests.idle_records import guessed_car
from tuning.measures.terms import answer_terms, below_target_rpm, rest_terms, score_terms

DT_s = 0.05
SEED = 4


def averaged(rpm: np.ndarray, span_s: float) -> np.ndarray:
    """Moving average, one value a place where it fits."""
    width = round(span_s / DT_s)
    return np.convolve(rpm.astype(float), np.full(width, 1.0 / width), mode="valid")


def swing_rpm(rpm: np.ndarray) -> float:
    """1st to 99th percentile between 0.05 and 2 Hz, by scipy; ends mirrored as in ours."""
    narrow = (2.0**0.5 - 1.0) ** 0.25  # both ways lose 3 dB at the corner
    high = butter(2, 0.05 * narrow, "highpass", fs=1.0 / DT_s, output="sos")
    low = butter(2, 2.0 / narrow, "lowpass", fs=1.0 / DT_s, output="sos")
    slow = sosfiltfilt(high, rpm - rpm.mean(), padtype="even", padlen=200)
    band = sosfiltfilt(low, slow, padtype="even", padlen=200)
    return float(np.diff(np.percentile(band, [1.0, 99.0]))[0])


@pytest.fixture(scope="module")
def measured() -> dict[str, np.ndarray]:
    engine = make_engine(SEED)
    car = guessed_car(engine)
    high, low = (rest(engine, car, 3, error) for error in (3.0, -3.0))
    answer = drive(engine, car, 3)
    return {
        "high": high.rpm, "low": low.rpm, "high_steps": high.steps, "answer": answer.rpm,
        "target": np.array([engine.target_rpm]),
    }  # fmt: skip


def f32(values: np.ndarray) -> np.ndarray:
    return values[None].astype(np.float32)


@pytest.mark.parametrize("which", ["high", "low"])
def test_swing_error_and_moves_at_rest(measured: dict[str, np.ndarray], which: str) -> None:
    target, steps = measured["target"], measured["high_steps"]
    (found,) = rest_terms(f32(measured[which]), f32(steps), (25.0, 75.0), target)
    still = measured[which][500:1500]
    assert found[0] == pytest.approx(swing_rpm(still), rel=0.03)
    assert found[1] == pytest.approx(target[0] - still.mean(), abs=0.01)
    moves = np.count_nonzero(np.diff(steps[499:1500]))
    assert found[2] == pytest.approx(moves / 50.0 * 60.0)


def test_excursion_and_settling_at_loads(measured: dict[str, np.ndarray]) -> None:
    begins = (20.0, 37.0, 54.0, 71.0)
    target, tolerance_rpm = measured["target"], 52.0
    (found,) = answer_terms(f32(measured["answer"]), begins, 17.0, target, np.array([52.0]))
    for place, begin_s in enumerate(begins):
        first = round(begin_s / DT_s)
        mean = averaged(measured["answer"][first : first + 340], 0.5)
        off = np.abs(mean - target[0])
        assert found[0, place] == pytest.approx(off.max(), rel=1e-4)
        outside = np.flatnonzero(off > tolerance_rpm)
        settled_s = (outside[-1] + 1) * DT_s + 0.25 if outside.size else 0.0
        assert found[1, place] == pytest.approx(settled_s, abs=1e-6)


def test_what_does_not_come_back_has_the_whole_window() -> None:
    away = np.full((1, 800), 700.0, dtype=np.float32)
    (found,) = answer_terms(away, (2.0,), 17.0, np.array([900.0]), np.array([0.0]))
    assert found[:, 0] == pytest.approx([200.0, 17.0])
    near = np.full((1, 800), 856.0, dtype=np.float32)
    assert answer_terms(near, (2.0,), 17.0, np.array([900.0]), np.array([0.0]))[0, 1, 0] == 0.0


def test_undershoot_after_the_blip(measured: dict[str, np.ndarray]) -> None:
    target = measured["target"]
    (below,) = below_target_rpm(f32(measured["answer"]), (89.2, 104.1), target)
    mean = averaged(measured["answer"][1784:2082], 0.3)
    assert below == pytest.approx(target[0] - mean.min(), rel=1e-4)


def test_terms_are_put_together_as_fixed() -> None:
    high, low = np.array([80.0, -30.0, 12.0]), np.array([40.0, 10.0, 4.0])
    answers = np.array([[100.0, 50.0, 150.0, 100.0], [2.0, 0.0, 17.0, 1.0]])
    found = score_terms(high, low, np.array(60.0), answers, np.array(90.0), np.array(1.0))
    assert found == pytest.approx([10.0, 7.5, 8.0, 100.0, 5.0, 50.0, 1.0])
