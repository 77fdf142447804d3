"""Changes go into the owner's car file, never over anything else, and never without a backup."""

from __future__ import annotations

from pathlib import Path

import pytest

from sim import car_to_toml, load_car, save_car
from sim.car import cars_folder
from sim.errors import InputError
from tests.command.running import run
from workbench.page.session import Session, Sessions


@pytest.fixture
def mine(tmp_path: Path) -> Path:
    """A car file of somebody's own, with a remark that no program would write."""
    path = tmp_path / "mine.toml"
    save_car(load_car("trials"), path)
    path.write_text("# wet Tuesday\n" + path.read_text())
    return path


def opened(path: Path) -> Session:
    """The work of somebody who has opened a car."""
    session = Sessions(seed=0).begin()
    session.open(str(path))
    return session


def test_opening_alone_writes_nothing(mine: Path) -> None:
    before = mine.read_text()
    opened(mine).save()
    assert mine.read_text() == before
    assert [one.name for one in mine.parent.iterdir()] == ["mine.toml"]


def test_changes_are_kept_and_the_file_as_it_was_stays_beside(mine: Path) -> None:
    original = mine.read_text()
    session = opened(mine)
    for deadband_rpm in (40.0, 50.0):
        session.change("feedback", deadband_rpm=deadband_rpm)
        session.save()
        assert session.saved == session.car
        assert load_car(mine) == session.car
        assert mine.read_text().startswith("# wet Tuesday\n"), "the owner's remark stays"
        assert mine.read_text().count("#") == original.count("#")
    assert mine.with_name("mine.toml.bak").read_text() == original
    session.change("feedback", deadband_rpm=60.0)
    session.take_back()
    session.save()
    assert load_car(mine).feedback.deadband_rpm == 50.0, "back to what was saved last"
    assert len(list(mine.parent.iterdir())) == 2


def test_an_earlier_backup_is_never_written_over(mine: Path) -> None:
    first = mine.read_text()
    for deadband_rpm in (40.0, 50.0, 60.0):
        session = opened(mine)
        session.change("feedback", deadband_rpm=deadband_rpm)
        session.save()
    kept = [mine.with_name(f"mine.toml.bak{number}") for number in ("", 2, 3)]
    assert kept[0].read_text() == first
    assert [load_car(one).feedback.deadband_rpm for one in kept] == [25.0, 40.0, 50.0]
    mine.write_text(first)
    session = opened(mine)
    session.change("feedback", deadband_rpm=70.0)
    session.save()
    assert session.file is not None
    assert session.file.backup == kept[0], "the same content is not kept twice"


@pytest.mark.parametrize("gone", [False, True])
def test_what_somebody_else_did_to_the_file_is_left(mine: Path, gone: bool) -> None:
    session = opened(mine)
    session.change("feedback", deadband_rpm=40.0)
    if gone:
        mine.rename(mine.with_name("moved.toml"))
    else:
        mine.write_text("theirs")
    with pytest.raises(InputError) as refused:
        session.save()
    assert ("is there no more" if gone else "was changed by something else") in str(refused.value)
    assert session.changed
    assert session.file is not None
    assert session.file.changed_by_others is not gone, "what is gone cannot be read again"
    (left,) = mine.parent.iterdir()
    assert left.name == ("moved.toml" if gone else "mine.toml")
    session.save_as(str(mine.with_name("again.toml")))
    assert load_car(mine.with_name("again.toml")).feedback.deadband_rpm == 40.0


def test_a_copy_under_a_new_name_keeps_the_remarks(mine: Path) -> None:
    session = opened(mine)
    session.change("feedback", deadband_rpm=40.0)
    session.save_as(str(mine.with_name("copy.toml")))
    assert mine.with_name("copy.toml").read_text().startswith("# wet Tuesday\n")


@pytest.mark.parametrize("by_path", [False, True])
def test_a_bundled_car_is_never_written(by_path: bool) -> None:
    path = cars_folder() / "trials.toml"
    before = path.read_bytes()
    session = opened(path) if by_path else opened(Path("trials"))
    session.change("feedback", deadband_rpm=40.0)
    with pytest.raises(InputError, match="no file named"):
        session.save()
    assert session.changed
    assert path.read_bytes() == before
    assert not path.with_name("trials.toml.bak").exists()


def test_a_new_car_is_what_the_command_makes_of_the_same_answers(tmp_path: Path) -> None:
    given = {
        "displacement_cm3": "1300", "cylinders": "4", "target_rpm": "880", "loads": "lamps:150, fan",
        "feedback": "gain=4, min_move=4",
    }  # fmt: skip
    session, mine = Sessions(seed=0).begin(), tmp_path / "mine.toml"
    bad = {("cylinders", "4.5"): "not a whole number", ("loads", "lamp"): "no load of that name",
           ("cylinders", None): "missing"}  # fmt: skip
    for (key, wrong), told in bad.items():
        with pytest.raises(InputError, match=told):
            session.describe(str(mine), given | {key: wrong}, "air")
    assert list(tmp_path.iterdir()) == []
    session.describe(str(mine), given, "air")
    assert session.file is not None
    assert session.car.thermal.cooling == "air"
    assert not session.changed
    words = [f"--{key.replace('_', '-')}={value}" for key, value in given.items()]
    (tmp_path / "other").mkdir()
    assert run("new", "mine.toml", "--cooling", "air", *words, folder=tmp_path / "other").status == 0
    assert (tmp_path / "other" / "mine.toml").read_text() == mine.read_text()
    with pytest.raises(InputError, match="is there already"):
        session.describe(str(mine), given, "air")


def test_nothing_is_written_over(tmp_path: Path) -> None:
    session = Sessions(seed=0).begin()
    mine = tmp_path / "mine.toml"
    mine.write_text("mine")
    for name in ("mine.toml", "mine.txt", "", ".toml", "..TOML", " .toml"):
        with pytest.raises(InputError):
            session.save_as(str(tmp_path / name) if name else name)
    assert [one.name for one in tmp_path.iterdir()] == ["mine.toml"]
    assert mine.read_text() == "mine"
    session.save_as(str(tmp_path / "new.toml"))
    assert load_car(tmp_path / "new.toml") == session.car
    assert (tmp_path / "new.toml").read_text() == car_to_toml(session.car)


@pytest.mark.parametrize("name", ["~nobody-of-that-name/car.toml", "a" * 300 + ".toml"])
def test_a_place_that_cannot_be_is_refused_in_words(name: str) -> None:
    session = Sessions(seed=0).begin()
    for act in (session.open, session.save_as):
        with pytest.raises(InputError, match="file"):
            act(name)
    assert session.file is None


def test_a_car_that_was_dropped_is_a_copy_until_it_is_saved_under_a_name(mine: Path, tmp_path: Path) -> None:
    session = Sessions(seed=0).begin()
    copy = session.place_for("../mine.toml")
    assert copy.name == "mine.toml"
    assert tmp_path not in copy.parents
    copy.write_bytes(mine.read_bytes())
    session.open_copy(copy)
    assert (session.name, session.file, session.car) == ("mine.toml", None, load_car(mine))
    session.change("feedback", deadband_rpm=41.0)
    with pytest.raises(InputError, match="no file named"):
        session.save()
    session.save_as(str(tmp_path / "kept.toml"))
    assert load_car(tmp_path / "kept.toml").feedback.deadband_rpm == 41.0
    assert load_car(mine).feedback.deadband_rpm != 41.0
    session.folder.cleanup()
