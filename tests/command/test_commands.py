"""The commands as a person runs them: output, exit status, files left behind."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Collection
from pathlib import Path

import pytest

from sim import bundled_folder, bundled_scenarios, car_to_toml, load_car, with_values
from tests.command.running import owners_car, remarks, run
from tuning.search.objective import PRESETS
from tuning.search.space import SEARCHED_LAWS
from tuning.stress_tests.suites import SUITES

LOGS = bundled_folder() / "logs"
HUNTING, RECORDING = str(LOGS / "trials_hunting.csv"), str(LOGS / "trials_recording.csv")
ALL = (
    "demo", "new", "check", "simulate", "explain", "fit", "diagnose", "tune", "stress", "base",
    "sheet", "compare", "page",
)  # fmt: skip
FACTS = (
    "--displacement-cm3", 1275, "--cylinders", 4, "--target-rpm", 850, "--pulse-ms", 4,
    "--rest-ms", 1, "--base", "0:50,30:30,50:16,65:8",
)  # fmt: skip


NAMES: dict[str, Collection[str]] = {
    "tune": (*SEARCHED_LAWS, *PRESETS, "quick", "normal", "deep"), "stress": SUITES,
    "simulate": bundled_scenarios(), "demo": SEARCHED_LAWS,
}  # fmt: skip


def test_help_lists_every_command_that_works() -> None:
    outcome = run("--help")
    assert outcome.status == 0
    assert re.findall(r"^  ([a-z]+)  ", outcome.out, re.MULTILINE) == list(ALL)


@pytest.mark.parametrize("command", ALL)
def test_every_command_takes_the_common_options(command: str) -> None:
    outcome = run(command, "--help", COLUMNS="120")
    assert outcome.status == 0
    assert {"--json", "--seed", "--quiet"} <= set(re.findall(r"--[a-z0-9-]+", outcome.out))
    names = NAMES.get(command, ())
    assert set(names) <= set(re.findall(r"\w+", outcome.out)), "names that may be chosen are listed"


def test_new_writes_a_car_that_check_accepts(tmp_path: Path) -> None:
    # A valve whose travel nobody has counted fails the check: tests/command/test_trade.py.
    made = run("new", "mini.toml", *FACTS, "--travel-steps", "200", "--json", folder=tmp_path)
    assert made.status == 0, made.err
    assert made.result["assumed"] == []
    text = (tmp_path / "mini.toml").read_text()
    assert "estimated from displacement" in text
    assert tomllib.loads(text)["engine"]["displacement_cm3"] == 1275.0
    checked = run("check", "mini.toml", "--json", folder=tmp_path)
    assert checked.status == 0, checked.err
    settled = [line for line in checked.result["lines"] if line["name"] == "base curve at 90 °C"]
    assert "target 850 rpm" in settled[0]["value"]
    again = run("new", "mini.toml", *FACTS, folder=tmp_path)
    assert again.status == 2
    (line,) = again.lines
    assert line.startswith("mini.toml:1: file: is there already, allowed: a new name, or --force")
    assert (tmp_path / "mini.toml").read_text() == text


def test_new_without_the_facts_says_what_is_missing(tmp_path: Path) -> None:
    outcome = run("new", "x.toml", folder=tmp_path)
    assert outcome.status == 2
    assert outcome.lines == [
        "--displacement-cm3:1: displacement_cm3: missing, allowed: a number",
        "--cylinders:1: cylinders: missing, allowed: a number",
    ]
    assert list(tmp_path.iterdir()) == []


def test_check_fails_a_car_without_room_to_close(tmp_path: Path) -> None:
    car = load_car("trials")
    base = tuple((degC, max(0.0, steps - 12.0)) for degC, steps in car.curves.base_steps)
    valve = {"homing_steps": 60, "pulse_ms": 2.0, "wired_reversed": True}
    poor = with_values(car, {"curves": {"base_steps": base}, "valve": valve})
    path = tmp_path / "poor.toml"
    path.write_text(car_to_toml(poor))
    outcome = run("check", path, "--json")
    assert outcome.status == 1
    verdicts = {line["name"]: line["verdict"] for line in outcome.result["lines"]}
    failed = {name for name, verdict in verdicts.items() if verdict == "fail"}
    assert {"direction", "whether homing reaches the seat", "pulse", "room to close at 90 °C"} <= failed
    told = run("check", path)
    assert told.status == 1
    assert "Raise the base curve here first" in told.out
    assert "only if it idles right as it is, close the throttle stop until" in told.out
    assert "carbon monoxide has no smell" in told.out, "cautions stand where numbers are acted on"


def test_simulate_writes_trace_and_figure(tmp_path: Path) -> None:
    outcome = run("simulate", "trials", "--scenario", "lamps", "--out", tmp_path, "--json")
    assert outcome.status == 0, outcome.err
    assert outcome.result["measures"]["worst_dip_rpm"] > 20.0
    trace, picture = (Path(file) for file in outcome.result["files"])
    rows = trace.read_text().splitlines()
    assert rows[0].replace(" ", "") == (
        "time_s,rpm,map_kPa,coolant_degC,battery_V,valve_steps,spark_deg,target_rpm"
    )
    assert len(rows) == 1201  # 60 s at 20 rows a second, and the header
    assert picture.read_bytes()[:8] == b"\x89PNG\r\n\x1a\n"
    before = picture.read_bytes()
    again = run("simulate", "trials", "--scenario", "lamps", "--out", tmp_path, "--json")
    assert again.out == outcome.out
    assert picture.read_bytes() == before


def test_simulate_tells_events_and_depends_on_the_seed(tmp_path: Path) -> None:
    short = tmp_path / "short.toml"
    short.write_text('name = "short"\nduration_s = 2\n[[event]]\nat_s = 1\nset = "lamps"\n')
    told = run("simulate", "trials", "--scenario", short, "--events")
    assert told.status == 0, told.err
    kinds = {line[14:33].strip() for line in told.out.splitlines() if " s  " in line[:14]}
    assert {"firing", "controller update", "scenario"} <= kinds
    runs = [
        run("simulate", "trials", "--scenario", short, "--events", "--json", "--seed", seed).result
        for seed in (1, 1, 2)
    ]
    assert runs[0] == runs[1]
    assert runs[0]["events"] != runs[2]["events"]


def test_simulate_tells_of_a_valve_that_is_not_where_it_is_counted() -> None:
    lost = run("simulate", "trials", "--scenario", "lost_steps_5")
    assert "the valve stands up to 5 steps further closed than counted" in lost.out
    told = run("simulate", "trials").out
    assert "than counted" not in told
    good = re.compile(r"\d +(rpm|1/min) +(at least|up to) \d+ *$")
    shown = [line for line in told.splitlines() if good.search(line)]
    assert 1 <= len(shown) <= 5, "each with what is good"
    assert told.splitlines()[-1] == "next: evenidle explain trials"
    assert " more with --full" in told
    assert told.count("this run hunts") == 1
    everything = run("simulate", "trials", "--full").out
    assert "with --full" not in everything
    assert "root mean square" in everything
    assert "root mean square" not in told


def test_a_start_is_told_in_five_lines_and_phase_by_phase_in_full() -> None:
    told = run("simulate", "trials", "--scenario", "cold_start_0").out
    everything = run("simulate", "trials", "--scenario", "cold_start_0", "--full").out
    assert "s cranking: runs after" not in told
    assert "s cranking: runs after" in everything
    assert "more than the base curve" in told, "where feedback had to add to it is told"
    assert "times count from cranking" in told
    assert told.splitlines()[-1] == "next: evenidle base trials"
    verdict = next(line for line in told.splitlines() if line.startswith("trials, cold start at 0 "))
    assert verdict in everything


def test_simulate_tells_a_start_from_the_key_on(tmp_path: Path) -> None:
    outcome = run("simulate", "trials", "--scenario", "cold_start_0", "--out", tmp_path, "--json")
    assert outcome.status == 0, outcome.err
    start = outcome.result["start"]
    names = [phase["name"] for phase in start["phases"]]
    assert names == ["homing", "waiting", "cranking", "flare", "after-start", "warm-up", "warm"]
    assert 0.0 < start["first_firing_s"] < start["run_s"] < 10.0
    assert [path.name for path in tmp_path.glob("*-start.png")]
    assert run("simulate", "trials", "--json").result["start"] is None


def test_explain_gives_the_cause_its_proof_and_the_figures(tmp_path: Path) -> None:
    outcome = run("explain", "trials", "--rough", "--out", tmp_path, "--json")
    assert outcome.status == 0, outcome.err
    result = outcome.result
    assert result["hunts"]
    chance = result["hunting"]
    assert chance["runs"] == 24
    assert chance["share"] == chance["hunting"] / 24
    assert chance["low_share"] < chance["share"] < chance["high_share"]
    assert result["verdict"][0].startswith(f"It {chance['text']}; speed swings ")
    assert "Without combustion variation it hunts from" in result["verdict"][0]
    assert result["causes"][0]["key"] == "resolution"
    rows = {row["key"]: row for row in result["with_and_without"]}
    assert rows["as_is"]["chance"] > 0.2
    assert rows["resolution"]["chance"] == 0.0
    assert {Path(file).stem for file in result["files"]} == {
        "rpm_per_step", "map_moves", "map_gains", "with_and_without", "cycle_told", "bound",
    }  # fmt: skip
    assert all(Path(file).stat().st_size > 10_000 for file in result["files"])
    told = run("explain", "trials", "--rough")
    assert told.status == 0
    assert result["verdict"][0] in told.out
    assert told.out.index("carbon monoxide has no smell") < told.out.index(result["verdict"][0])
    brief = told.out[told.out.index(result["verdict"][0]) : told.out.index("With and without")]
    assert len(brief.strip().splitlines()) <= 5
    (row,) = [line for line in told.out.splitlines() if line.startswith(" a valve without steps")]
    assert len(row) <= 80, "the proof fits a terminal"
    deeper = ("Whether the valve can hold", "The loop as it would be without steps", "One cycle, told:")
    assert not [one for one in deeper if one in told.out]
    assert "with --full" in told.out
    assert told.out.splitlines()[-1] == "next: evenidle tune trials --out tuned.toml"
    everything = run("explain", "trials", "--rough", "--full").out
    assert [one for one in deeper if one in everything] == list(deeper)


@pytest.mark.parametrize(
    ("asked", "last"),
    [
        (("check", "trials"), "next: evenidle explain trials"),
        (("sheet", "trials", "--out", "sheet.html"), "next: evenidle tune trials --out tuned.toml"),
        (("diagnose", HUNTING, "--car", "trials"), "next: evenidle explain trials names the setting"),
        (("compare", "trials", HUNTING), "It hunts by 109 rpm, as predicted: search for other settings"),
        (("stress", "trials", "--suite", "loads"), "next: evenidle "),
        (("base", "trials", RECORDING), "next: evenidle check trials, with these lines in a copy of it"),
    ],
)
def test_the_last_line_says_what_to_do_next(asked: tuple[str, ...], last: str, tmp_path: Path) -> None:
    assert run(*asked, folder=tmp_path).out.splitlines()[-1].startswith(last)


@pytest.mark.parametrize("form", ["html", "pdf", "csv", "json"])
def test_sheet_comes_in_four_forms(form: str, tmp_path: Path) -> None:
    path = tmp_path / f"sheet.{form}"
    outcome = run("sheet", "trials", "--out", path)
    assert outcome.status == 0, outcome.err
    content = path.read_bytes()
    if form == "pdf":
        assert content.startswith(b"%PDF")
        assert len(re.findall(rb"/Type\s*/Page[^s]", content)) == 2
        return
    text = content.decode()
    places = [text.index(word) for word in ("Exhaust gas kills", "integral gain", "Stop here")]
    assert "Narrow trim" not in text, "no feedback with settings that hunt"
    assert places == sorted(places), "cautions come first, the tries on the car after the settings"
    if form == "html":
        assert "<script" not in text
        assert "http" not in text


def test_colour_and_quiet() -> None:
    coloured = run("check", "trials", FORCE_COLOR="1")
    plain = run("check", "trials", FORCE_COLOR="1", NO_COLOR="1")
    assert "\x1b[32m" in coloured.out or "\x1b[33m" in coloured.out
    assert not re.search(r"\x1b\[[0-9;]*3\dm", plain.out)
    quiet = run("check", "trials", "--quiet")
    assert len(quiet.out.strip().splitlines()) == 1
    assert quiet.err == ""


def test_tune_leaves_the_base_curve_alone(tmp_path: Path) -> None:
    mine, tuned = owners_car(tmp_path), tmp_path / "tuned.toml"
    outcome = run("tune", mine, "--budget", "quick", "--out", tuned, "--json")
    assert outcome.status == 0, outcome.err
    result = outcome.result
    assert {"settings", "now", "predicted", "trials", "engines", "seconds"} <= set(result)
    named = {
        "hunting_rpm", "hunting_period_s", "worst_dip_rpm", "settle_s", "moves_per_min",
        "stall_share",
    }  # fmt: skip
    assert named <= set(result["now"])
    assert named <= set(result["predicted"])
    car = load_car(tuned)
    assert car.curves == load_car("trials").curves
    assert car.feedback.deadband_rpm == result["settings"]["deadband_rpm"]
    assert remarks(mine) <= remarks(tuned)
    assert result["predicted"]["hunting_rpm"] < result["now"]["hunting_rpm"]


def test_stress_ends_with_the_status_of_its_verdict(tmp_path: Path) -> None:
    outcome = run("stress", "trials", "--suite", "loads", "--out", tmp_path, "--json")
    assert outcome.status == (0 if outcome.result["passed"] else 1), outcome.err
    assert all(Path(file).stat().st_size > 10_000 for file in outcome.result["files"])
