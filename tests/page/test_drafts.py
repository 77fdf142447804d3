"""What nobody has saved is kept beside the owner's files, and never pushed out by others."""

from __future__ import annotations

from pathlib import Path
from typing import cast

import pytest

from sim import load_car, save_car
from tuning.measures.hunting_rule import chance_of
from tuning.search import Prediction
from workbench.page.car_file import Drafts
from workbench.page.session import MOST_SESSIONS, Session, Sessions
from workbench.page.work_log import without_folders
from workbench.page.work_search import stopped_words


@pytest.fixture
def mine(tmp_path: Path) -> Path:
    """A car file of somebody's own."""
    path = tmp_path / "mine.toml"
    save_car(load_car("trials"), path)
    return path


def changed(sessions: Sessions, mine: Path) -> Session:
    """A work with something in it that was not saved."""
    session = sessions.begin()
    session.open(str(mine))
    session.change("feedback", deadband_rpm=41.0)
    return session


def test_changes_outlive_the_server_and_leave_the_file_alone(mine: Path, tmp_path: Path) -> None:
    before = mine.read_text()
    drafts = Drafts(tmp_path / "own" / "drafts")
    first = Sessions(0, drafts)
    session = changed(first, mine)
    first.stop_all()
    assert mine.read_text() == before
    second = Sessions(0, Drafts(tmp_path / "own" / "drafts"))
    (draft,) = second.drafts()
    assert draft.opened == str(mine)
    later = second.begin()
    second.take_up(later, draft)
    assert later.car == session.car
    assert later.changed
    assert [one.key for one in second.drafts()] == [later.key]
    later.save()
    second.keep_draft(later)
    assert second.drafts() == []
    assert load_car(mine).feedback.deadband_rpm == 41.0


def test_a_draft_that_is_damaged_is_passed_over(mine: Path, tmp_path: Path) -> None:
    drafts = Drafts(tmp_path / "drafts")
    drafts.keep("../a/b", str(mine), load_car("trials"))
    assert {one.parent.name for one in (tmp_path / "drafts").iterdir()} == {"drafts"}
    next((tmp_path / "drafts").glob("*.opened")).unlink()
    assert drafts.listed() == []


def test_no_number_of_visits_pushes_out_what_was_not_saved(mine: Path) -> None:
    sessions = Sessions(0)
    session = changed(sessions, mine)
    others = [sessions.begin().key for _ in range(3 * MOST_SESSIONS)]
    assert sessions.get(session.key) is session
    assert sum(sessions.get(key) is not None for key in others) <= MOST_SESSIONS


def prediction(hunting_share: float, stall_share: float = 0.0, dip_rpm: float = 100.0) -> object:
    """A prediction of which only what is told matters."""
    from types import SimpleNamespace

    return SimpleNamespace(
        hunting_share=hunting_share, hunting=chance_of(round(100.0 * hunting_share), 100),
        stall_share=stall_share, worst_dip_rpm=dip_rpm, hunting_rpm=60.0,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("now", "best", "offered", "told"),
    [
        (prediction(0.35), prediction(0.96), False, "hunts in 96 of 100 runs (now 35)"),
        (prediction(0.35), prediction(0.0, 0.1), False, "stalls in 10 of 100 runs (now 0)"),
        (prediction(0.35), prediction(0.0), True, "it does not hunt: none of 100 simulated runs does, which"),
        (prediction(0.35), prediction(0.0), True, "(now it may hunt: 35 of 100 simulated runs do, a chance"),
        (prediction(0.3), prediction(0.0, 0.0, 150.0), True, "Worse: the deepest dip, 150 rpm"),
    ],
)
def test_a_stopped_search_offers_nothing_that_hunts_or_stalls_more(
    now: object, best: object, offered: bool, told: str
) -> None:
    text, may = stopped_words(7, cast("Prediction", now), cast("Prediction", best))
    assert may is offered
    assert told in text
    assert ("Nothing to recommend" in text) is not offered


def test_where_a_log_lies_on_the_server_is_told_to_nobody() -> None:
    path = Path("/tmp/x1/abc/idle.csv")
    assert without_folders([f"{path}: the valve's moves", "clean"], [path]) == [
        "idle.csv: the valve's moves", "clean",
    ]  # fmt: skip
