"""What the Log tab says of a log: what it is made of, why it is not taken in, whose it is."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import pytest

from sim.errors import InputError
from sim.files import one_problem
from workbench.page.frame import Page
from workbench.page.job_panel import JobPanel
from workbench.page.log_tab import DEMONSTRATION_FOLDER, LogTab
from workbench.page.session import Sessions, place_in
from workbench.page.work_log import in_page_words, log_work, made_of, refusal


def quiet(share: float, text: str = "", **more: object) -> None:
    """Somebody who is told how far it is and does not care."""


def read(path: Path, columns: str = "") -> dict[str, Any]:
    """What comes of a log on the page."""
    return log_work(quiet, path=path, columns=columns, car=None)


def test_hunting_is_not_counted_beside_the_idling_that_it_is_in() -> None:
    assert made_of([("idle", 0.0, 60.0), ("hunting", 0.1, 60.0)]) == (
        "60 s idling; while idling: hunting throughout"
    )
    assert made_of([("idle", 0.0, 60.0), ("hunting", 0.0, 25.0), ("hunting", 30.0, 50.0)]) == (
        "60 s idling; while idling: 2 x hunting"
    )


def test_each_state_of_the_engine_is_told_with_how_long_it_lasted() -> None:
    told = made_of(
        [
            ("stopped", 0.0, 2.0), ("start", 2.0, 5.0), ("idle", 5.0, 15.0), ("driven", 15.0, 40.0),
            ("idle", 40.0, 60.0), ("steady", 41.0, 50.0), ("load", 50.0, 58.0),
        ]
    )  # fmt: skip
    assert told == (
        "2 s not running, 3 s starting, 25 s with the throttle open, 30 s idling;"
        " while idling: 1 x load, 1 x steady"
    )
    assert made_of([]) == ""


def test_a_log_that_cannot_be_read_is_refused_in_one_plain_sentence(tmp_path: Path) -> None:
    empty = tmp_path / "empty.csv"
    empty.write_bytes(b"")
    assert read(empty) == {
        "path": empty, "name": "empty.csv", "new": True,
        "refused": "empty.csv is empty (0 bytes), allowed: a text table with a header",
    }  # fmt: skip


def test_no_option_of_a_command_is_named_on_the_page(tmp_path: Path) -> None:
    strange = tmp_path / "strange.csv"
    rows = [f"{0.05 * row:.2f},{900 + row % 7}" for row in range(400)]
    strange.write_text("\n".join(["time,foo", *rows]))
    told = read(strange)["refused"]
    assert told.startswith("strange.csv: rpm: no such column recognised (columns: time, foo)")
    assert told.endswith("allowed: name it, as under 'Columns by hand': rpm=foo")
    assert "refused" not in read(strange, "rpm=foo")
    assert in_page_words('leave it out with --columns "map="') == (
        "leave it out under 'Columns by hand': map="
    )


@pytest.mark.parametrize(("line", "told"), [(1, "a.csv: map: bad"), (7, "a.csv, line 7: map: bad")])
def test_a_refusal_tells_where(line: int, told: str) -> None:
    error: InputError = one_problem("/tmp/x/a.csv", line, "map", "bad")
    assert refusal("a.csv", error) == told


class Panel:
    """What a job's panel was told."""

    told = ""

    def tell_problem(self, text: str) -> None:
        """As the panel's."""
        self.told = text


def log_tab(car: str) -> LogTab:
    """The tab as it is with a car, never shown."""
    session = Sessions(seed=0).begin()
    session.open(car)
    page = SimpleNamespace(session=session, look=None, runs=None)
    return LogTab(cast(Page, page))


@pytest.mark.parametrize(
    ("car", "folder", "told"),
    [
        ("trials", DEMONSTRATION_FOLDER, ""),
        ("twin", DEMONSTRATION_FOLDER, "of the demonstration car 'trials', not of 'twin'"),
        ("twin", "own", ""),
    ],
)
def test_a_demonstration_is_known_to_be_of_its_own_car(car: str, folder: str, told: str) -> None:
    assert log_tab(car)._whose(Path(folder) / "trials_hunting.csv") == told


@pytest.mark.parametrize(
    ("text", "given"), [("nonsense", None), (" rpm=Speed ", "rpm=Speed"), ("  ", ""), (None, "")]
)
def test_columns_by_hand_are_looked_at_before_a_job_begins(text: str | None, given: str | None) -> None:
    tab, panel = log_tab("trials"), Panel()
    tab._columns = cast(Any, SimpleNamespace(value=text))
    assert tab._columns_given(cast(JobPanel, panel)) == given
    assert ("are not understood" in panel.told) is (given is None)
    assert "--" not in panel.told


@pytest.mark.parametrize(
    ("one", "other"), [("a?b.csv", "a_b.csv"), ("Idle.csv", "idle.csv"), ("ä.csv", "_.csv"), (".csv", "csv")]
)
def test_logs_of_other_names_never_replace_each_other(one: str, other: str, tmp_path: Path) -> None:
    first, second = place_in(tmp_path, one), place_in(tmp_path, other)
    assert str(first).casefold() != str(second).casefold()
    assert place_in(tmp_path, one) == first, "dropped again, it takes its own place"
    first.write_text("1")
    second.write_text("2")
    assert first.read_text() == "1"


@pytest.mark.parametrize("name", ["../../evil.csv", "..\\evil.csv", "", "\0", "x" * 500, "漢" * 90])
def test_a_log_lies_in_the_folder_whatever_it_is_called(name: str, tmp_path: Path) -> None:
    place = place_in(tmp_path, name)
    assert place.resolve().is_relative_to(tmp_path.resolve())
    place.write_text("1")
