"""Logs are read as recorded, whatever their form, and what was put right is said."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import numpy as np
import pytest

from sim.errors import InputError
from tuning.logs.log import WRITTEN_COLUMNS, Log, Recognised, needs, read_log, write_log

RPM = [850.0 + 7.0 * np.sin(0.9 * k) for k in range(40)]


def table(
    names: str, rows: list[str] | None = None, top: str = "", end: str = "\n", delimiter: str = ","
) -> str:
    """A log of 40 rows, 20 a second, with the columns time and rpm and whatever `rows` adds."""
    lines = [top + names] if names else []
    for k, rpm in enumerate(RPM):
        extra = delimiter + rows[k % len(rows)] if rows else ""
        lines.append(f"{0.05 * k:.2f}{delimiter}{rpm:.3f}{extra}")
    return end.join(lines) + end


def read(folder: Path, text: str | bytes, **options: object) -> Log:
    path = folder / "a.csv"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return read_log(path, **options)  # type: ignore[arg-type]


def refusal(folder: Path, text: str | bytes, **options: object) -> list[str]:
    with pytest.raises(InputError) as caught:
        read(folder, text, **options)
    return [line.removeprefix(f"{folder / 'a.csv'}:") for line in str(caught.value).splitlines()]


def column(log: Log, name: str) -> np.ndarray:
    values = getattr(log, name)
    assert isinstance(values, np.ndarray)
    assert values.dtype == np.float64
    return values


def plain(log: Log) -> None:
    np.testing.assert_allclose(log.time_s, np.arange(40) * 0.05, atol=1e-12)
    np.testing.assert_allclose(log.rpm, np.round(RPM, 3), atol=1e-12)
    assert log.parts == (slice(0, 40),)
    assert log.rate_Hz == pytest.approx(20.0)


def test_plain_log(tmp_path: Path) -> None:
    log = read(tmp_path, table("time_s,rpm"))
    plain(log)
    assert log.recognised == (
        Recognised("time_s", "time_s", "s", "our own name"),
        Recognised("rpm", "rpm", "rpm", "our own name"),
    )
    assert log.names == ("time_s", "rpm")
    assert log.map_kPa is None
    assert log.notes == ()


@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_delimiters_and_line_ends(tmp_path: Path, delimiter: str, end: str) -> None:
    plain(read(tmp_path, table(delimiter.join(("time_s", "rpm")), end=end, delimiter=delimiter)))


@pytest.mark.parametrize("delimiter", [";", "\t"])
def test_decimal_comma(tmp_path: Path, delimiter: str) -> None:
    text = table(delimiter.join(("time_s", "rpm")), delimiter=delimiter).replace(".", ",")
    plain(read(tmp_path, text))


def test_decimal_comma_within_quotes_in_a_comma_separated_file(tmp_path: Path) -> None:
    rows = [f'"{0.05 * k:.2f}","{rpm:.3f}"'.replace(".", ",") for k, rpm in enumerate(RPM)]
    text = '"time_s","rpm"\n' + "\n".join(rows).replace('","', "\x00").replace("\x00", '","')
    plain(read(tmp_path, text))


def test_decimal_comma_that_first_shows_late(tmp_path: Path) -> None:
    rows = [f"{k};{850 + k % 3}" for k in range(40_000)] + ["40000,5;850,25"]
    log = read(tmp_path, "time ms;rpm\n" + "\n".join(rows))
    assert log.time_s[-1] == 40.0005
    assert log.rpm[-1] == 850.25


def test_thousands_separated(tmp_path: Path) -> None:
    rows = [f'{0.05 * k:.2f},"1,{200 + k}"' for k in range(40)]
    log = read(tmp_path, "time_s,rpm\n" + "\n".join(rows))
    np.testing.assert_array_equal(log.rpm, 1200.0 + np.arange(40))


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "cp1252", "utf-16"])
def test_encodings(tmp_path: Path, encoding: str) -> None:
    text = table("time_s,rpm,Kühlmitteltemperatur [°C]", ["88.5"])
    log = read(tmp_path, text.encode(encoding))
    plain(log)
    assert (column(log, "coolant_degC") == 88.5).all()
    assert any("Windows-1252" in note for note in log.notes) == (encoding == "cp1252")


def test_encoding_given(tmp_path: Path) -> None:
    text = table("time_s,rpm,Öltemperatur", ["88.5"]).encode("cp437")
    assert read(tmp_path, text, encoding="cp437").ignored == ("Öltemperatur",)
    assert refusal(tmp_path, text, encoding="nonesuch")[0].startswith("1: encoding: unknown enc")
    assert refusal(tmp_path, text, encoding="utf-8")[0].startswith("1: encoding: the file is not")


@pytest.mark.parametrize(
    "units", ["s,rpm,mbar", "[s],[1/min],[mbar]", '"(s)","(U/min)","(hPa)"', "sec,rev/min,mbar"]
)
def test_units_row(tmp_path: Path, units: str) -> None:
    log = read(tmp_path, table(f"Time,Engine speed,Manifold pressure\n{units}", ["350"]))
    plain(log)
    np.testing.assert_allclose(column(log, "map_kPa"), 35.0, rtol=1e-12)


def test_comments_title_and_blank_lines(tmp_path: Path) -> None:
    text = table("# cold start\n\nlogged by us;on Monday\ntime_s,rpm\n# now idling")
    text = text.replace("\n0.50,", "\n// lamps on\n\n,\n% fan on\n0.50,") + "# end\n"
    plain(read(tmp_path, text))


def test_header_within_a_comment(tmp_path: Path) -> None:
    plain(read(tmp_path, table("# time_s,rpm")))


def test_text_columns_and_marks(tmp_path: Path) -> None:
    text = table("time_s,gear,rpm,state").replace("time_s,gear,rpm,state", "time_s,rpm,gear,state")
    rows = text.splitlines()
    rows = [rows[0], *(f"{row},N,{'idle' if k % 2 else 'fan, on'!r}" for k, row in enumerate(rows[1:]))]
    rows = [row.replace("'", '"') for row in rows]
    rows.insert(20, "MARK")
    log = read(tmp_path, "\n".join(rows))
    plain(log)
    assert log.ignored == ("gear", "state")
    assert "lines of text: line 21" in log.notes


def test_trailing_delimiters(tmp_path: Path) -> None:
    text = table("time_s,rpm")
    plain(read(tmp_path, text.replace("\n", ",\n")))
    plain(read(tmp_path, text.replace("\n", ",\n").replace("rpm,", "rpm", 1)))
    plain(read(tmp_path, text.replace("\n", ", \n").replace("rpm, ", "rpm", 1)))
    plain(read(tmp_path, text.replace("rpm\n", "rpm,,\n", 1).replace("\n", ",,,\n")))


def test_unnamed_and_doubled_columns(tmp_path: Path) -> None:
    rows = [f"{k},{0.05 * k:.2f},{rpm:.3f},0" for k, rpm in enumerate(RPM)]
    log = read(tmp_path, ",time_s,rpm,rpm\n" + "\n".join(rows))
    plain(log)
    assert "rpm: twice: 'rpm', taken from 'rpm'" in log.notes
    assert log.ignored == ("rpm",)


def test_empty_cells_hold_the_value_before(tmp_path: Path) -> None:
    log = read(tmp_path, table("time_s,rpm,MAP kPa", ["", "36", "NaN", "-"]))
    plain(log)
    assert (column(log, "map_kPa") == 36.0).all()
    assert "map_kPa: 30 empty cells take the value before them" in log.notes


def test_rows_without_rpm_are_left_out_and_said(tmp_path: Path) -> None:
    lines = table("time_s,rpm").splitlines()
    lines[5] = "0.20,"
    lines[9] = "NaN,850"
    log = read(tmp_path, "\n".join(lines))
    assert log.time_s.size == 38
    assert "2 rows without time or rpm left out" in log.notes


def test_a_column_empty_throughout_is_not_used(tmp_path: Path) -> None:
    log = read(tmp_path, table("time_s,rpm,map_kPa", [""]))
    assert log.map_kPa is None
    assert log.ignored == ("map_kPa",)
    assert "map_kPa is empty throughout: not used" in log.notes


def test_constant_columns_are_named(tmp_path: Path) -> None:
    log = read(tmp_path, table("time_s,rpm,battery_V,valve_steps", ["13.8,40"]))
    assert log.notes == ("the same throughout: battery_V 13.8, valve_steps 40",)


def test_temperatures_of_one_file_have_one_unit(tmp_path: Path) -> None:
    log = read(tmp_path, table("time_s,rpm,Coolant [degF],IAT", ["194,86"]))
    np.testing.assert_allclose(column(log, "coolant_degC"), 90.0)
    np.testing.assert_allclose(column(log, "iat_degC"), 30.0)
    log = read(tmp_path, table("time_s,rpm,Coolant,IAT", ["194,86"]))
    np.testing.assert_allclose(column(log, "iat_degC"), 30.0)
    assert log.recognised[-1].how.startswith("plain name; no unit written: taken as degF from")


def test_columns_mapped(tmp_path: Path) -> None:
    text = table("A,B,Pressure,RPM", ["10.3,1"])
    mapped: Mapping[str, str | None] = {"time": "A", "rpm": "b", "map_kPa": "Pressure [inHg]"}
    log = read(tmp_path, text, columns=mapped)
    plain(log)
    # 1 inHg = 3.386 389 kPa (NIST SP 811, appendix B.8, conventional inch of mercury).
    np.testing.assert_allclose(column(log, "map_kPa"), 10.3 * 3.386389, rtol=1e-6)
    assert log.recognised[1].how == "given by you; no unit written: taken as rpm"


def test_a_signal_can_be_left_out(tmp_path: Path) -> None:
    text = table("time_s,rpm,map_kPa", ["-9999"])
    (line,) = refusal(tmp_path, text)
    assert line == (
        "2: map_kPa: not possible as map_kPa (-9999 kPa, and 39 more rows), "
        'allowed: 0 to 400 kPa, or leave the column out with --columns "map_kPa="'
    )
    assert read(tmp_path, text, columns={"map": None}).map_kPa is None
    assert read(tmp_path, text, columns={"map_kPa": ""}).map_kPa is None


def test_wrong_mapping_is_refused(tmp_path: Path) -> None:
    text = table("time_s,rpm,P (V)", ["1"])
    found = refusal(tmp_path, text, columns={"boost": "P", "rpm": "Engine", "map": "P"})
    assert found[0].startswith("1: boost: unknown signal, allowed: time_s, rpm, map_kPa,")
    assert found[1] == "1: rpm: no such column ('Engine'), allowed: time_s, rpm, P (V)"
    assert refusal(tmp_path, text, columns={"map": "P"}) == [
        "1: P (V): unit does not turn into kPa ('V'), allowed: a unit of pressure, or none"
    ]


def test_cells_that_are_no_numbers_are_all_listed(tmp_path: Path) -> None:
    lines = table("time_s,rpm,map_kPa", ["35"]).splitlines()
    lines[3] = "0.10,eight,35"
    lines[6] = "0.25,850,inf"
    lines[8] = "0.35,850,35,1,2"
    lines[9] = "0.40,8"
    assert refusal(tmp_path, "\n".join(lines)) == [
        "4: rpm: not a number ('eight'), allowed: a finite number or an empty cell",
        "7: map_kPa: not a number (infinite), allowed: a finite number or an empty cell",
        "9: row: 5 cells (0.35,850,35,1,2), allowed: 3, one for each name in the header",
        "10: row: 2 cells (0.40,8), allowed: 3, one for each name in the header",
    ]


def test_many_problems_of_a_kind_are_counted(tmp_path: Path) -> None:
    found = refusal(tmp_path, table("time_s,rpm,map_kPa", ["bad"]))
    assert len(found) == 11
    assert found[-1] == "41: file: 30 more of this kind: not a number in map_kPa"


def test_an_unmapped_log_ends_with_what_to_copy(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_text("when,turning,foo\n" + "".join(f"{n * 0.1:.1f},850,3\n" for n in range(20)))
    with pytest.raises(InputError) as caught:
        read_log(path)
    assert '--columns "time_s=when, rpm=turning"' in str(caught.value)
    assert read_log(path, {"time_s": "when", "rpm": "turning"}).rpm[0] == 850.0


def test_the_likely_columns_are_named_first(tmp_path: Path) -> None:
    rows = "".join(f"7,{850 + n % 3},{n * 0.1:.1f}\n" for n in range(20))
    assert '--columns "time_s=C, rpm=B"' in refusal(tmp_path, "A,B,C\n" + rows)[0]


def test_one_reading_a_row_is_told_what_it_is(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_text("time,signal,value\n" + "".join(f"{n * 0.1:.1f},abc,850\n" for n in range(20)))
    with pytest.raises(InputError, match="one reading a row: turn it round"):
        read_log(path)


@pytest.mark.parametrize("units", [False, True])
def test_one_reading_a_row_is_turned_round(tmp_path: Path, units: bool) -> None:
    rows = []
    for k, rpm in enumerate(RPM):
        rows += [f"{0.05 * k:.2f};Engine speed;{rpm / 1000:.6f}" + (";1000 rpm" if units else "")]
        if k % 2 == 0:
            rows += [f"{0.05 * k:.2f};Valve steps;{20 + k}" + (";steps" if units else "")]
    head = "Time;Signal;Reading" + (";Unit" if units else "")
    log = read(tmp_path, "Recorded by hand\n" + head + "\n" + "\n".join(rows) + "\n")
    np.testing.assert_allclose(log.rpm, RPM, atol=1e-3)
    np.testing.assert_allclose(log.time_s, np.arange(40) * 0.05, atol=1e-12)
    np.testing.assert_array_equal(column(log, "valve_steps"), 20.0 + np.arange(40) // 2 * 2)
    rows[6] = rows[6].replace("0.8", "abc")
    found = refusal(tmp_path, "Recorded by hand\n" + head + "\n" + "\n".join(rows) + "\n")
    assert found[0].startswith("9: ")


@pytest.mark.parametrize("names", ["Time,Engine speed,Time,Valve steps", "RPM time,RPM,Valve time,Valve"])
def test_pairs_of_time_and_value_are_read_each_at_its_time(tmp_path: Path, names: str) -> None:
    rows = [f"{0.05 * k:.2f},{rpm:.3f}" + (f",{0.2 * k + 0.01:.2f},{k}" if k < 10 else ",,")
            for k, rpm in enumerate(RPM)]  # fmt: skip
    log = read(tmp_path, names + "\n" + "\n".join(rows) + "\n")
    plain(log)
    there = np.floor((np.arange(40) * 0.05 - 0.01) / 0.2 + 1e-9)
    np.testing.assert_array_equal(column(log, "valve_steps"), np.maximum(there, 0.0))


@pytest.mark.parametrize(("on", "off"), [("1", "0"), ("on", "off"), ("TRUE", "FALSE")])
def test_switched_loads_are_read(tmp_path: Path, on: str, off: str) -> None:
    log = read(
        tmp_path, table("time_s,rpm,Fan,Air conditioning", [f"{on},{off}", f"{off},{on}", f"{on},{on}"])
    )
    np.testing.assert_array_equal(column(log, "load_on")[:3], [1.0, 2.0, 3.0])
    assert log.recognised[2].column == "Fan + Air conditioning"
    assert not log.loaded[0]
    assert log.loaded[1]
    assert column(read(tmp_path, table("time_s,rpm,Load (0/1)", ["0", "1"])), "load_on")[1] == 1.0
    fan = read(tmp_path, table("time_s,rpm,Fan", ["30", "55"]))
    assert fan.load_on is None
    assert any("'Fan' looks like load_on" in note for note in fan.notes)


@pytest.mark.parametrize(
    ("encoding", "names"),
    [
        ("cp1251", "Время;Обороты двигателя;Температура охлаждающей жидкости"),
        ("cp1250", "Čas;Otáčky motoru;Teplota chladicí kapaliny"),
        ("shift_jis", "時間;エンジン回転数;冷却水温"),
        ("gb18030", "时间;发动机转速;冷却液温度"),
        ("euc_kr", "시간;엔진 회전수;냉각수 온도"),
    ],
)
def test_names_tell_the_encoding(tmp_path: Path, encoding: str, names: str) -> None:
    log = read(tmp_path, table(names, ["88.5"], delimiter=";").encode(encoding))
    plain(log)
    assert (column(log, "coolant_degC") == 88.5).all()


def test_a_row_of_units_does_not_speak_against_its_encoding(tmp_path: Path) -> None:
    text = table("time,rpm,Coolant", ["88.5"]).replace("Coolant\n", "Coolant\ns,1/min,\N{DEGREE SIGN}C\n", 1)
    log = read(tmp_path, text.encode("cp1252"))
    assert (column(log, "coolant_degC") == 88.5).all()


def test_columns_kept_for_all_logs(tmp_path: Path) -> None:
    kept: Mapping[str, str | None] = {"time": "A", "rpm": "B"}
    plain(read(tmp_path, table("A,B"), kept=kept))
    plain(read(tmp_path, table("time_s,rpm"), kept=kept))
    plain(read(tmp_path, table("A,C"), kept=kept, columns={"rpm": "C"}))
    assert refusal(tmp_path, table("A,C"), kept=kept)[0].startswith("1: rpm: no such column recognised")


def test_needs() -> None:
    log = Log("a.csv", np.arange(3.0), np.ones(3), ignored=("IAC %",))
    needs([log], ["time_s", "rpm"], "diagnose")
    with pytest.raises(InputError) as caught:
        needs([log], ["rpm", "valve_steps"], "fit")
    assert str(caught.value) == (
        "a.csv:1: valve_steps: not in this log, and fit needs it (columns not used: IAC %), "
        'allowed: record it, or name its column with --columns "valve_steps=..."'
    )


def test_written_logs_read_back_equal(tmp_path: Path) -> None:
    random = np.random.default_rng(3)
    given = {
        "rpm": 850.0 + random.standard_normal(50),
        "time_s": np.arange(50) * 0.05 + 0.01 * random.random(50),
        "valve_steps": random.integers(0, 100, 50),
        "load_W": random.standard_normal(50) * 100.0,
    }
    path = tmp_path / "log.csv"
    write_log(given, path)
    first = path.read_text(encoding="utf-8").splitlines()
    assert first[0] == "time_s,rpm,valve_steps,load_W"
    log = read_log(path)
    for name, values in given.items():
        np.testing.assert_array_equal(column(log, name), values)
    write_log(log, tmp_path / "again.csv")
    assert (tmp_path / "again.csv").read_bytes() == path.read_bytes()


def test_bad_columns_are_not_written(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_text("kept", encoding="utf-8")
    with pytest.raises(InputError) as caught:
        write_log({"time_s": [0.0, 1.0], "map_kPa": [1.0], "boost": [1.0, 2.0]}, path)
    assert [str(p).removeprefix(f"{path}:") for p in caught.value.problems] == [
        f"1: boost: unknown signal, allowed: {', '.join(WRITTEN_COLUMNS)}",
        "1: rpm: missing, allowed: one value a row",
        "1: map_kPa: another shape ((1,)), allowed: 2 values as time_s",
    ]
    with pytest.raises(InputError, match="not finite in row 1"):
        write_log({"time_s": [0.0, 1.0], "rpm": [850.0, np.nan]}, path)
    assert path.read_text(encoding="utf-8") == "kept"
    with pytest.raises(InputError, match="cannot be written"):
        write_log({"time_s": [0.0], "rpm": [850.0]}, tmp_path / "nowhere" / "log.csv")


def test_summary_says_what_was_used_and_what_not(tmp_path: Path) -> None:
    log = read(tmp_path, table("time_s,rpm,Engine load (%)", ["30"]))
    assert log.summary() == [
        f"{tmp_path / 'a.csv'}: 40 rows, 1.9 s, 20 rows a second",
        "  'time_s' is time_s [s] (our own name)",
        "  'rpm' is rpm [rpm] (our own name)",
        "  ignored: 'Engine load (%)'",
    ]
