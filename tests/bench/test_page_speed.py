"""The page by the clock: slider to redraw, start to first picture, memory after many redraws.

Run with ``pytest -m bench tests/bench/test_page_speed.py`` on a machine that does nothing else.
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from tests.page.browsing import Look, Served, chromium, free_port, serve, wait_for

pytestmark = pytest.mark.bench

MOST_REDRAW_ms = 100.0
MOST_START_s = 2.0
REDRAWS = 1000
STARTS = 9
MOMENTS = ("answers", "first picture", "chance told")
MOST_GROWTH_MB = 30.0
_MOVE = """
const [count, done] = arguments;
const chart = getElement(Number(document.querySelector('.runs').id.slice(1))).chart;
const slider = document.querySelector('[data-key="deadband_rpm"] [tabindex="0"]');
const set = chart.setOption.bind(chart);
let drawn = null, told = false, followed = 0;
chart.setOption = (option, ...rest) => {
  if (option.series && option.series[0] && option.series[0].data) told = true;
  if (option.series && option.series[2] && option.series[2].data) followed++;
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
  done([times, followed]);
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


def moved_ms(look: Look, count: int) -> tuple[list[float], int]:
    """Time from a key on the slider to the picture drawn [ms], and how often pressure followed."""
    times, followed = look.driver.execute_async_script(_MOVE, count)
    return [float(one) for one in times], int(followed)


def test_slider_to_redraw(look: Look, served: Served, capsys: pytest.CaptureFixture[str]) -> None:
    look.open(served.address)
    look.wait_text("starting condition")
    moved_ms(look, 50)
    times, followed = moved_ms(look, 100)
    middle, high = np.percentile(times, [50, 95])
    with capsys.disabled():
        print(  # noqa: T201 (a benchmark tells)
            f"\nslider to redraw: median {middle:.0f} ms, 95 of 100 within {high:.0f} ms;"
            f" pressure drawn {followed} times meanwhile"
        )
    assert high < MOST_REDRAW_ms


def test_usable_soon_after_a_warm_start(
    look: Look, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    port = free_port()  # the page is always at the same address, as for whoever opens it daily
    first = warm_start_s(look, tmp_path, port)
    again = np.median([warm_start_s(look, tmp_path, port) for _ in range(STARTS)], axis=0)
    with capsys.disabled():
        for what, times_s in (("first visit of a browser", first), (f"median of {STARTS}", again)):
            words = ", ".join(f"{n} {t:.2f} s" for n, t in zip(MOMENTS, times_s, strict=True))
            print(f"\nwarm start, {what}: {words}; wanted: picture in {MOST_START_s:.0f} s", end="")  # noqa: T201
    assert list(again) == sorted(again)


def warm_start_s(look: Look, folder: Path, port: int) -> tuple[float, float, float]:
    """Times from the command to each of the moments [s]."""
    look.driver.get("about:blank")
    begun = time.monotonic()
    one = serve(folder, port)
    try:
        answers_s = time.monotonic() - begun
        look.driver.get(one.address)
        wait_for(lambda: look.driver.find_elements("css selector", ".runs canvas"), "a chart")
        wait_for(lambda: look.option(".runs")["series"][0]["data"], "the first picture")
        drawn_s = time.monotonic() - begun
        look.wait_text("starting condition")
        return answers_s, drawn_s, time.monotonic() - begun
    finally:
        one.process.terminate()
        one.process.wait(20)


def held_in_memory(pid: int) -> float:
    """What a process and all that it started hold in memory [MB]."""
    folder = Path(f"/proc/{pid}")
    pages = int((folder / "statm").read_text().split()[1])
    started = (folder / "task").glob("*/children")
    children = [int(child) for one in started for child in one.read_text().split()]
    return pages * 4096 / 1e6 + sum(map(held_in_memory, children))


def test_memory_stays_where_it_is(look: Look, served: Served, capsys: pytest.CaptureFixture[str]) -> None:
    look.open(served.address)
    look.wait_text("starting condition")

    def used() -> tuple[float, float]:
        look.driver.execute_cdp_cmd("HeapProfiler.collectGarbage", {})
        heap = look.driver.execute_script("return performance.memory.usedJSHeapSize")
        return float(heap) / 1e6, held_in_memory(served.process.pid)

    moved_ms(look, 100)
    before = used()
    times = [one for _ in range(REDRAWS // 100) for one in moved_ms(look, 100)[0]]
    after = used()
    with capsys.disabled():
        print(  # noqa: T201
            f"\n{len(times)} redraws: browser {before[0]:.1f} -> {after[0]:.1f} MB,"
            f" server and the processes beside it {before[1]:.1f} -> {after[1]:.1f} MB"
        )
    assert max(b - a for a, b in zip(before, after, strict=True)) < MOST_GROWTH_MB
