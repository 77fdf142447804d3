"""Commands on recorded logs as a person runs them: fit, diagnose, compare, base."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest

from sim import load_car, save_car, with_values
from sim.files import bundled_folder
from tests.command.running import owners_car, remarks, run
from tests.invented_logs import invented_car
from workbench.words.cautions import caution_lines

LOGS = bundled_folder() / "logs"
HUNTING, RECORDING = LOGS / "trials_hunting.csv", LOGS / "trials_recording.csv"
PNG = b"\x89PNG\r\n\x1a\n"


def is_picture(path: str) -> bool:
    """Whether a file is a PNG of some size."""
    content = Path(path).read_bytes()
    return content.startswith(PNG) and len(content) > 10_000


def test_fit_writes_a_car_with_its_uncertainty(tmp_path: Path) -> None:
    out, figures = tmp_path / "fitted.toml", tmp_path / "figures"
    mine = owners_car(tmp_path)
    outcome = run("fit", mine, RECORDING, "--out", out, "--figures", figures, "--json")
    assert outcome.status == 0, outcome.err
    assert outcome.result["trusted"] is True
    assert all(is_picture(file) for file in outcome.result["files"])
    car = load_car(out)
    assert car.uncertainty["valve"]["area_mm2"] < 0.1
    assert car.curves == load_car("trials").curves
    assert car.feedback == load_car("trials").feedback
    assert remarks(mine) <= remarks(out)


def test_fit_on_a_log_that_tells_too_little_ends_with_1(tmp_path: Path) -> None:
    rows = RECORDING.read_text().splitlines()
    short = tmp_path / "short.csv"
    short.write_text("\n".join(rows[:342]) + "\n")
    outcome = run("fit", "trials", short, "--out", tmp_path / "f.toml")
    assert outcome.status == 1, outcome.err
    assert outcome.out.index("carbon monoxide has no smell") < outcome.out.index(
        "The fit is not to be trusted"
    )
    assert "  read: time_s, rpm, " in outcome.out, "what was recognised is told"
    numbers = [line for line in outcome.out.splitlines() if line.startswith(("throttle.", "valve.area_mm2"))]
    assert numbers == []
    assert " more with --full" in outcome.out
    everything = run("fit", "trials", short, "--out", tmp_path / "f.toml", "--full").out
    assert "'rpm' is rpm" in everything
    assert "throttle.leak_mm2: file's value x " in everything
    assert "with --full" not in everything


def test_fit_to_a_hunt_asks_for_holds_and_names_the_command_that_takes_them(tmp_path: Path) -> None:
    outcome = run("fit", "trials", HUNTING, "--out", tmp_path / "fitted.toml")
    assert outcome.status == 1, outcome.err
    assert outcome.out.index("carbon monoxide has no smell") < outcome.out.index("Holds by hand would tell")
    assert f"next: evenidle fit trials {HUNTING} HELD" in outcome.out
    assert "--guide" not in outcome.out


def test_fit_tells_how_to_record(tmp_path: Path) -> None:
    outcome = run("fit", "trials", "--guide", folder=tmp_path)
    assert outcome.status == 0
    assert "Recording plan for trials: 5.0 minutes at 20 Hz" in outcome.out
    assert "carbon monoxide has no smell" in outcome.out
    assert outcome.out.count("lamps on") + outcome.out.count("heated rear window on") >= 1
    assert outcome.out.splitlines()[-1].startswith("next: record it, then evenidle fit trials ")
    assert list(tmp_path.iterdir()) == []


def test_diagnose_names_the_cause_and_draws_it(tmp_path: Path) -> None:
    outcome = run("diagnose", HUNTING, "--out", tmp_path, "--json")
    assert outcome.status == 0, outcome.err
    result = outcome.result
    assert result["cause"] == "hunting"
    assert result["hunting"] is True
    assert is_picture(result["files"][0])
    told = run("diagnose", HUNTING, "--car", "trials")
    assert "It hunts: " in told.out
    assert "this log cannot tell" in told.out
    assert ": no. " not in told.out
    assert " answered no, with --full" in told.out
    everything = run("diagnose", HUNTING, "--car", "trials", "--full").out
    assert everything.count(": no. ") >= 2
    assert "with --full" not in everything
    assert run("diagnose", HUNTING, "--quiet").out.count("\n") == 1


def test_diagnose_needs_time_and_speed_only(tmp_path: Path) -> None:
    rows = [line.split(",")[:2] for line in HUNTING.read_text().splitlines()[1:]]
    plain = tmp_path / "plain.csv"
    plain.write_text("\n".join([
        "Clock;Turns", *(f"{t.replace('.', ',')};{rpm}" for t, rpm in rows[1:]),
    ]) + "\n")  # fmt: skip
    columns = "time=Clock [s], rpm=Turns [1/min]"
    outcome = run("diagnose", plain, "--columns", columns, "--json")
    assert outcome.status == 0, outcome.err
    assert outcome.result["hunting"] is None
    assert len([one for one in outcome.result["findings"] if one["answer"] == "cannot tell"]) > 4
    refused = run("diagnose", plain)
    assert refused.status == 2
    assert '--columns "rpm=Turns"' in refused.err
    mine = tmp_path / "mine.toml"
    save_car(with_values(load_car("trials"), {"car": {"log_columns": columns}}), mine)
    kept = run("diagnose", plain, "--car", mine, "--json")
    assert kept.status == 0, kept.err
    assert "'Clock' is time_s" in kept.result["log"][1]
    assert run("diagnose", HUNTING, "--car", mine, "--json").result["cause"] == "hunting"


@pytest.mark.parametrize(
    ("car", "status", "verdict"),
    [
        ("as built", 0, "The car does what was predicted: 6 of 6"),
        # The log is of the car as built, which its file does not describe in a dozen numbers.
        ("trials", 0, "The car does what was predicted: 4 of 6"),
        ("finer", 1, "The car is near the prediction, but not as predicted: 3 of 6"),
        ("twin", 1, "The car differs from the prediction in: "),
    ],
)
def test_compare_ends_with_the_status_of_its_verdict(
    car: str, status: int, verdict: str, tmp_path: Path
) -> None:
    if car == "as built":
        car = str(tmp_path / "built.toml")
        save_car(invented_car(), car)
    elif car == "finer":
        car = str(tmp_path / "finer.toml")
        save_car(with_values(load_car("trials"), {"feedback": {"min_move_steps": 3}}), car)
    outcome = run("compare", car, HUNTING, "--out", tmp_path, "--json")
    assert outcome.status == status, outcome.err
    assert outcome.result["verdict"].startswith(verdict)
    assert outcome.result["agrees"] is (status == 0)
    assert {"predicted", "low", "high", "recorded", "agrees"} <= set(outcome.result["rows"][0])
    assert is_picture(outcome.result["files"][0])


def test_compare_shows_what_is_not_as_predicted_and_all_in_full() -> None:
    told = run("compare", "trials", HUNTING)
    everything = run("compare", "trials", HUNTING, "--full")
    assert told.status == everything.status == 0
    for one in (told.out, everything.out):
        assert one.index("carbon monoxide has no smell") < one.index("with margin")
        assert one.index("with margin") < one.index("Raise the base curve by ")
        assert "4 of 6 measures lie in the range" in one
        assert one.count("outside") == 2
        assert "It hunts by 109 rpm, as predicted: search for other settings (evenidle tune)" in one
        assert "e+" not in one.partition("with margin")[2]
    assert "... 4 as predicted, with --full" in told.out
    assert "swing at" not in told.out
    assert "swing at" in everything.out
    assert "with --full" not in everything.out


def test_base_proposes_and_changes_nothing(tmp_path: Path) -> None:
    car = bundled_folder() / "cars" / "trials.toml"
    before = car.read_bytes()
    from_logs = run("base", "trials", RECORDING, "--out", tmp_path / "a", "--json")
    assert from_logs.status == 0, from_logs.err
    assert from_logs.result["source"] == "logs"
    assert set(from_logs.result["curves"]) == {"base_steps"}
    assert is_picture(from_logs.result["files"][0])
    quick = tmp_path / "quick.toml"
    quick.write_text(
        re.sub(r"(?m)^(after_start_fade_s|enable_delay_s) = [\d.]+", r"\1 = 5.0", car.read_text())
    )
    from_model = run("base", quick, "--out", tmp_path / "b")
    assert from_model.status == 0, from_model.err
    assert "Nothing was changed" in from_model.out
    told = " ".join(from_model.out.split())
    for caution in caution_lines():
        assert 0 <= told.find(caution) < told.index("base_steps = ["), "cautions come before numbers"
    for word in ("carbon monoxide", "chocked", "neutral", "fans, belts", "key", "numbers are a model's"):
        assert word in told
    assert is_picture(str(tmp_path / "b" / "base.png"))
    block = from_model.out[from_model.out.index("base_steps = [") :]
    curves = tomllib.loads(block[: block.index("\n", block.index("after_start_fade_s = "))])
    assert 10.0 <= curves["after_start_fade_s"] <= 30.0
    waits = f"enable_delay_s = {curves['after_start_fade_s']:g} in [feedback] (now 5)"
    assert f"Feedback must wait out that decay, else it takes the air away: {waits}." in told
    copied = with_values(load_car("trials"), {"curves": curves})
    assert len(copied.curves.base_steps) >= 7
    assert car.read_bytes() == before


def test_a_log_without_a_valve_is_refused_by_fit_in_one_line(tmp_path: Path) -> None:
    bare = tmp_path / "bare.csv"
    bare.write_text("time_s,rpm\n" + "\n".join(f"{k / 10},{850 + k % 7}" for k in range(600)))
    for words in (("fit", "trials", bare, "--out", tmp_path / "f.toml"), ("base", "trials", bare)):
        outcome = run(*words)
        assert outcome.status == 2
        assert "Traceback" not in outcome.err
        assert outcome.lines[0].startswith(f"{bare}:1: valve_steps: not in this log")
    assert not (tmp_path / "f.toml").exists()
