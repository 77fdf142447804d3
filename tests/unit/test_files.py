"""Reading explains every fault; writing is whole or not at all; keys are found on their lines."""

from __future__ import annotations

import os
import pickle
import stat
import subprocess
import sys
import tomllib
from functools import partial
from pathlib import Path

import pytest

from sim import load_car
from sim.errors import EvenidleError, InputError, Problem
from sim.files import find_file, read_text, read_toml, write_beside
from sim.key_lines import key_lines, nearest_line

DOCUMENT = """\
# a comment with [brackets] and key = 1
title = "a # in a string" # and a comment
"quoted.key" = 1
'raw\\key' = 2
"esc\\u0061pe \\U0001F600" = 3
many = [
  1,  # one
  2,
  [3, 4],
  { x = 5, y.z = [6,
7] },
]
long = \"\"\"
not_a_key = 1
"quoted" \\\"\"\" still inside
\"\"\"\"
raw = '''
[not.a.table]
'''
when = 1979-05-27 07:32:00
dotted.deep . key = true

[table . "sub table"]
value = 1e5
[table]
late = 2
[[items]]
name = "first"
[items.inner]
depth = 1
[[items]]
name = "second"
[[items.parts]]
size = 1
[[items.parts]]
size = 2
"""

EXPECTED = {
    ("title",): 2,
    ("quoted.key",): 3,
    ("raw\\key",): 4,
    ("escape \U0001f600",): 5,
    ("many",): 6,
    ("many", 0): 7,
    ("many", 1): 8,
    ("many", 2): 9,
    ("many", 2, 1): 9,
    ("many", 3, "x"): 10,
    ("many", 3, "y", "z", 0): 10,
    ("many", 3, "y", "z", 1): 11,
    ("long",): 13,
    ("raw",): 17,
    ("when",): 20,
    ("dotted", "deep", "key"): 21,
    ("table", "sub table"): 23,
    ("table", "sub table", "value"): 24,
    ("table",): 25,
    ("table", "late"): 26,
    ("items",): 27,
    ("items", 0): 27,
    ("items", 0, "name"): 28,
    ("items", 0, "inner", "depth"): 30,
    ("items", 1): 31,
    ("items", 1, "parts", 0, "size"): 34,
    ("items", 1, "parts", 1): 35,
}


def paths_of(value: object, path: tuple[str | int, ...] = ()) -> set[tuple[str | int, ...]]:
    found = {path}
    if isinstance(value, dict):
        for key, inner in value.items():
            found |= paths_of(inner, (*path, key))
    elif isinstance(value, list):
        for index, inner in enumerate(value):
            found |= paths_of(inner, (*path, index))
    return found


def only_problem(error: InputError) -> Problem:
    assert len(error.problems) == 1
    return error.problems[0]


def test_keys_are_found_on_their_lines() -> None:
    lines = key_lines(DOCUMENT)
    assert {path: lines[path] for path in EXPECTED} == EXPECTED


@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_key_lines_know_the_same_paths_as_tomllib(end: str) -> None:
    text = DOCUMENT.replace("\n", end)
    assert set(key_lines(text)) == paths_of(tomllib.loads(text))


def test_a_missing_key_is_placed_at_what_would_hold_it() -> None:
    lines = key_lines(DOCUMENT)
    assert nearest_line(lines, ("items", 1, "weight")) == 31
    assert nearest_line(lines, ("nowhere", "at", "all")) == 1


def test_writing_and_reading_text(tmp_path: Path) -> None:
    path = tmp_path / "näme.toml"
    write_beside(path, "größe = 1\n")
    assert read_text(path) == "größe = 1\n"
    assert path.read_bytes() == "größe = 1\n".encode()


def test_a_byte_order_mark_is_dropped(tmp_path: Path) -> None:
    path = tmp_path / "bom.toml"
    path.write_bytes(b"\xef\xbb\xbfa = 1\r\nb = 2\r\n")
    values, lines = read_toml(path)
    assert values == {"a": 1, "b": 2}
    assert lines[("b",)] == 2


def test_the_old_file_is_kept_when_asked(tmp_path: Path) -> None:
    path = tmp_path / "car.toml"
    write_beside(path, "first", keep_old=True)
    assert [file.name for file in tmp_path.iterdir()] == ["car.toml"]
    write_beside(path, b"second", keep_old=True)
    assert path.read_text() == "second"
    assert (tmp_path / "car.toml.bak").read_text() == "first"
    write_beside(path, "third")
    assert (tmp_path / "car.toml.bak").read_text() == "first"


@pytest.mark.skipif(os.name != "posix", reason="permissions of another kind")
def test_permissions_and_links_survive_a_replacement(tmp_path: Path) -> None:
    real = tmp_path / "real.toml"
    real.write_text("old")
    real.chmod(0o640)
    link = tmp_path / "link.toml"
    link.symlink_to(real)
    write_beside(link, "new")
    assert link.is_symlink()
    assert real.read_text() == "new"
    assert real.stat().st_mode & 0o777 == 0o640


@pytest.mark.skipif(os.name != "posix", reason="limits of file size are set the POSIX way")
def test_a_write_that_fails_half_way_leaves_the_old_file(tmp_path: Path) -> None:
    path = tmp_path / "car.toml"
    path.write_text("old")
    program = (
        "import resource, sys\n"
        "from sim.files import write_beside\n"
        "from sim.errors import InputError\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (1000, 1000))\n"
        "try:\n"
        "    write_beside(sys.argv[1], 'x' * 100_000)\n"
        "except InputError as error:\n"
        "    print(error)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", program, str(path)],
        capture_output=True,
        text=True,
        check=True,
        cwd=Path(__file__).parents[2],
    )
    assert done.stdout.startswith(f"{path}:1: file: cannot be written (file too large)")
    assert path.read_text() == "old"
    assert [file.name for file in tmp_path.iterdir()] == ["car.toml"]


def test_places_that_cannot_be_written(tmp_path: Path) -> None:
    (tmp_path / "plain").write_text("a file")
    for place in (tmp_path, tmp_path / "no" / "folder.toml", tmp_path / "plain" / "x.toml"):
        with pytest.raises(InputError, match="allowed:") as caught:
            write_beside(place, "text")
        assert only_problem(caught.value).file == str(place)


@pytest.mark.parametrize(
    ("content", "line", "reason"),
    [
        (b"a = 1\nb = \n", 2, "not TOML (invalid value), allowed: TOML 1.0"),
        (b"a = 1\n[t]\na = 1\na = 2\n", 4, "not TOML (cannot overwrite a value)"),
        (b"a = [1,\n2,\n", 2, "not TOML"),
        (b"a = 1\nb = 'caf\xe9'\n", 2, "not UTF-8 (byte 0xe9), allowed: text saved as UTF-8"),
        (b"a = " + b"9" * 5000, 1, "not usable (exceeds the limit"),
        (b"a = " + b"[" * 20_000, 1, "nested too deeply"),
        (b"\n" + b".".join([b"a"] * 20_000) + b" = 1", 2, "a key of too many parts"),
        (b"[" + b".".join([b'"a"'] * 17) + b"]", 1, "a key of too many parts"),
        (b".".join([b'"\\"a"'] * 60_000) + b" = 1", 1, "a key of too many parts"),
        ("a = [\n'\x85 \u2028'\n".encode(), 2, "not TOML"),
        (b"x" * 500_001, 1, "too large (500001 bytes), allowed: up to 500000 bytes"),
    ],
)
def test_files_that_are_no_toml(tmp_path: Path, content: bytes, line: int, reason: str) -> None:
    path = tmp_path / "bad.toml"
    path.write_bytes(content)
    with pytest.raises(InputError) as caught:
        read_toml(path)
    problem = only_problem(caught.value)
    assert (problem.file, problem.line, problem.key) == (str(path), line, "file")
    assert problem.message.startswith(reason)
    assert "\n" not in str(problem)


def test_files_that_are_not_there(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"gone\.toml:1: file: not found, allowed: a file that"):
        read_toml(tmp_path / "gone.toml")
    with pytest.raises(InputError, match="file: is a folder, allowed: a file"):
        read_toml(tmp_path)
    with pytest.raises(InputError, match="file: cannot be read"):
        read_toml(Path("nul\0byte.toml"))


def test_bare_names_are_looked_up_among_the_bundled(tmp_path: Path) -> None:
    (tmp_path / "known.toml").write_text("a = 1\n")
    assert find_file("known", tmp_path, "car") == tmp_path / "known.toml"
    assert find_file("other.toml", tmp_path, "car") == Path("other.toml")
    with pytest.raises(InputError, match="a bundled car: known"):
        find_file("other", tmp_path, "car")


def test_input_errors_share_the_root_and_survive_pickling() -> None:
    error = InputError([Problem("a.toml", 3, "key", "bad (1), allowed: 2")])
    again = pickle.loads(pickle.dumps(error))
    assert isinstance(again, InputError)
    assert issubclass(InputError, EvenidleError)
    assert again.problems == error.problems
    assert str(again) == "a.toml:3: key: bad (1), allowed: 2"


@pytest.mark.skipif(os.name != "posix", reason="other kinds of files")
def test_what_is_no_regular_file_is_neither_read_nor_replaced(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    for place in (tmp_path / "pipe", Path("/dev/zero")):
        for act in (read_toml, partial(write_beside, content="text")):
            with pytest.raises(InputError, match=r"is a (pipe|device), allowed: .*regular file"):
                act(place)
    assert stat.S_ISFIFO((tmp_path / "pipe").stat().st_mode)


def test_a_name_too_long_for_the_system_is_told(tmp_path: Path) -> None:
    for name in ("a" * 300, "a" * 300 + ".toml"):
        with pytest.raises(InputError, match=r"too long|not found"):
            load_car(name)
        with pytest.raises(InputError, match="too long"):
            write_beside(tmp_path / name, "text")


def test_copies_never_take_the_place_of_the_first(tmp_path: Path) -> None:
    path = tmp_path / "car.toml"
    for content in ("first", "second", "second", "third"):
        write_beside(path, content, keep_old=True)
    kept = {file.name: file.read_text() for file in tmp_path.iterdir()}
    assert kept == {"car.toml": "third", "car.toml.bak": "first", "car.toml.bak2": "second"}
