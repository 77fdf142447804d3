"""The page by the clock: slider to redraw, start to first picture, memory after many redraws.

Run with ``pytest -m bench tests/bench/test_page_speed.py`` on a machine that does nothing else.
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from tests.page.browsing import Look, Served, chromium, serve, wait_for

pytestmark = pytest.mark.bench

MOST_REDRAW_ms = 100.0
MOST_START_s = 2.0
REDRAWS = 1000
MOST_GROWTH_MB = 30.0
_MOVE = """
const [count, done] = arguments;
const chart = getElement(Number(document.querySelector('.runs').id.slice(1))).chart;
const slider = document.querySelector('[data-key="deadband_rpm"] [tabindex="0"]');
const set = chart.setOption.bind(chart);
let drawn = null, told = false;
chart.setOption = (option, ...rest) => {
  if (option.series && option.series[0] && option.series[0].data) told = true;
  return set(option, ...rest);
};
chart.on('rendered', () => { if (told && drawn) { told = false; drawn(performance.now()); } });
(async () => {
  const times = [];
  for (let i = 0; i < count; i++) {
    const code = Math.floor(i / 25) % 2 ? 37 : 39;
    const press = new KeyboardEvent('keydown', {keyCode: code, which: code, bubbles: true});
    const began = performance.now();
    const ended = new Promise(resolve => { drawn = resolve; });
    slider.dispatchEvent(press);
    slider.dispatchEvent(new KeyboardEvent('keyup', {keyCode: code, which: code, bubbles: true}));
    const late = new Promise(resolve => setTimeout(() => resolve(NaN), 3000));
    times.push(await Promise.race([ended, late]) - began);
    await new Promise(r => setTimeout(r, 60));
  }
  chart.setOption = set;
  done(times);
})();
"""


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """A server; it has ended when the tests have."""
    one = serve(tmp_path_factory.mktemp("served"))
    yield one
    one.process.terminate()
    one.process.wait(20)


@pytest.fixture(scope="module")
def look() -> Iterator[Look]:
    """A browser; it has ended when the tests have."""
    driver = chromium()
    driver.set_script_timeout(600)
    yield Look(driver)
    driver.quit()


def moved_ms(look: Look, count: int) -> list[float]:
    """Time from a key on the slider to the picture drawn, of so many presses [ms]."""
    return [float(one) for one in look.driver.execute_async_script(_MOVE, count)]


def test_slider_to_redraw(look: Look, served: Served, capsys: pytest.CaptureFixture[str]) -> None:
    look.open(served.address)
    look.wait_text("starting places")
    moved_ms(look, 50)
    times = np.array(moved_ms(look, 100))
    middle, high = np.percentile(times, [50, 95])
    with capsys.disabled():
        print(f"\nslider to redraw: median {middle:.0f} ms, 95 of 100 within {high:.0f} ms")  # noqa: T201 (a benchmark tells)
    assert high < MOST_REDRAW_ms


def test_usable_soon_after_a_warm_start(
    look: Look, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    look.driver.get("about:blank")
    begun = time.monotonic()
    one = serve(tmp_path)
    try:
        answers_s = time.monotonic() - begun
        look.driver.get(one.address)
        wait_for(lambda: look.driver.find_elements("css selector", ".runs canvas"), "a chart")
        wait_for(lambda: look.option(".runs")["series"][0]["data"], "the first picture")
        drawn_s = time.monotonic() - begun
    finally:
        one.process.terminate()
        one.process.wait(20)
    with capsys.disabled():
        print(f"\nstart: answers after {answers_s:.2f} s, first picture after {drawn_s:.2f} s")  # noqa: T201
    assert drawn_s < MOST_START_s


def test_memory_stays_where_it_is(
    look: Look, served: Served, capsys: pytest.CaptureFixture[str]
) -> None:
    look.open(served.address)
    look.wait_text("starting places")

    def used() -> tuple[float, float]:
        look.driver.execute_cdp_cmd("HeapProfiler.collectGarbage", {})
        heap = look.driver.execute_script("return performance.memory.usedJSHeapSize")
        pages = int(Path(f"/proc/{served.process.pid}/statm").read_text().split()[1])
        return float(heap) / 1e6, pages * 4096 / 1e6

    moved_ms(look, 100)
    before = used()
    times = [one for _ in range(REDRAWS // 100) for one in moved_ms(look, 100)]
    after = used()
    with capsys.disabled():
        print(  # noqa: T201
            f"\n{len(times)} redraws: browser {before[0]:.1f} -> {after[0]:.1f} MB,"
            f" server {before[1]:.1f} -> {after[1]:.1f} MB"
        )
    assert max(b - a for a, b in zip(before, after, strict=True)) < MOST_GROWTH_MB
