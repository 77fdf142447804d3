"""Whether a fit can be trusted goes with the car file through every command, and stops the sheet."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from sim import InputError, load_car, save_car, with_values
from tests.command.running import owners_car, run
from workbench.page.work_start import sheet_work

SAID = "NOT TO BE TRUSTED: the fit behind this car's numbers is refuted by: "
MARK = {"car": {"basis": "fitted", "fit_verdict": "not trusted", "fit_doubts": "prediction, facts"}}


@pytest.fixture(scope="module")
def doubted(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A car file whose fit said of itself that it is not to be trusted."""
    path = tmp_path_factory.mktemp("car") / "doubted.toml"
    save_car(with_values(load_car("trials"), MARK), path)
    return path


def test_a_fit_to_noise_says_so_in_the_file_it_writes(tmp_path: Path) -> None:
    drawn = np.random.default_rng(5)
    speeds = 880.0 + 25.0 * drawn.standard_normal(900)
    rows = [f"{k / 10:.1f},{rpm:.0f},{12 + (k // 100) % 3}" for k, rpm in enumerate(speeds)]
    noise, out = tmp_path / "noise.csv", tmp_path / "fitted.toml"
    noise.write_text("\n".join(["time_s,rpm,valve_steps", *rows]) + "\n")
    fitted = run("fit", owners_car(tmp_path), noise, "--out", out)
    assert fitted.status == 1, fitted.err
    assert load_car(out).car.fit_verdict == "not trusted"
    assert load_car(out).car.fit_doubts
    sheet = tmp_path / "sheet.html"
    refused = run("sheet", out, "--out", sheet)
    assert refused.status == 2
    assert not sheet.exists()
    assert refused.lines[0].startswith(f"{out}:1: car.fit_verdict: its fit is not to be trusted")


@pytest.mark.parametrize("ending", ["html", "csv", "json"])
def test_a_sheet_that_is_forced_says_so_first(ending: str, doubted: Path, tmp_path: Path) -> None:
    out = tmp_path / f"sheet.{ending}"
    forced = run("sheet", doubted, "--out", out, "--even-if-untrusted")
    assert forced.status == 0, forced.err
    assert SAID in forced.out
    written = out.read_text(encoding="utf-8")
    first = {
        "html": "Settings sheet: trials. ITS FIT IS NOT TO BE TRUSTED</h1>",
        "csv": "\ncaution,THE FIT IS NOT TRUSTED.,",
        "json": '"untrusted": true',
    }[ending]
    assert first in written
    assert SAID.replace("'", "&#x27;") in written or SAID in written
    if ending == "csv":
        assert written.split("\n")[1].startswith("caution,THE FIT IS NOT TRUSTED.")


def test_the_page_makes_such_a_sheet_when_it_is_forced(doubted: Path) -> None:
    with pytest.raises(InputError, match="its fit is not to be trusted"):
        sheet_work(lambda *_: None, car=load_car(doubted), seed=0, forced=False)
    forced = sheet_work(lambda *_: None, car=load_car(doubted), seed=0, forced=True)
    assert all("ITS FIT IS NOT TO BE TRUSTED</h1>" in forced["html"][imperial] for imperial in (False, True))


@pytest.mark.parametrize(
    "words",
    [
        ("check",), ("simulate",), ("explain", "--rough"), ("stress", "--suite", "loads"),
        ("tune", "--budget", "quick", "--law", "pi", "--out", "tuned.toml"),
    ],
    ids=lambda words: words[0],
)  # fmt: skip
def test_every_command_says_so_in_one_line_also_when_quiet(
    words: tuple[str, ...], doubted: Path, tmp_path: Path
) -> None:
    told = run(words[0], doubted, *words[1:], "--quiet", folder=tmp_path).out.splitlines()
    assert sum(line.startswith(f"{SAID}prediction, facts.") for line in told) == 1
    if words[0] == "tune":
        assert load_car(tmp_path / "tuned.toml").car == load_car(doubted).car
    if words[0] in ("check", "simulate"):
        assert run(words[0], doubted, "--json").result["basis"].startswith(SAID)
        assert run(words[0], "trials", "--json").result["basis"].startswith("Given: ")


def test_the_whole_job_stops_at_a_fit_that_is_not_trusted(doubted: Path, tmp_path: Path) -> None:
    outcome = run("demo", "--car", doubted, "--out", tmp_path / "job")
    assert outcome.status == 2
    assert "its fit is not to be trusted" in outcome.err
    assert not list((tmp_path / "job").glob("sheet.*"))
