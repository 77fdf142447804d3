"""What the guide says is made from the source is what the source makes."""

from __future__ import annotations

import re

from tests.house_map import house_map, licences
from tests.model_page import SHOWN, html_page, page, relations
from tests.source_tree import ROOT

GUIDE = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


def in_guide(what: str) -> list[str]:
    """Lines between the markers of something that is made."""
    found = re.findall(rf"<!-- made by: {what} -->\n(.*?)\n<!-- end -->", GUIDE, re.DOTALL)
    assert len(found) == 1
    return str(found[0]).split("\n")


def test_the_map_is_that_of_the_imports() -> None:
    assert in_guide("map") == house_map()


def test_every_library_has_a_licence_that_lets_it_be_used() -> None:
    """How each writes it may differ between its versions; which are there, and their kind, may not."""
    made = licences()
    assert [line.split("|")[1] for line in in_guide("licences")] == [line.split("|")[1] for line in made]
    for line in made[2:]:
        assert re.search(r"MIT|BSD|Apache|MPL|Mozilla|Python Software|LGPL|Lesser|Unlicense", line), line


def test_walks_through_the_house_are_short_and_lead_to_what_is_there() -> None:
    for what in ("A load", "A law"):
        walk = GUIDE.partition(f"### {what}, worked through")[2].partition("\n### ")[0]
        assert 5 < walk.count("\n") < 40
        named = re.findall(
            r"`((?:controllers|sim|tuning|workbench|scenarios|tests)/[\w/.]+\.(?:py|toml))`", walk
        )
        assert len(named) >= 5
        assert [one for one in named if not (ROOT / one).is_file()] in ([], ["scenarios/heated_seats.toml"])


def test_the_model_s_page_has_every_physical_file_and_law_with_its_sources() -> None:
    made = relations()
    files = {one.file.rpartition("/")[2] for one in made}
    assert {
        "air.py",
        "combustion.py",
        "crank.py",
        "manifold.py",
        "thermal.py",
        "law_pi.py",
        "law_nudge.py",
    } <= files
    assert all(one.what and one.source for one in made)
    (flow,) = [one for one in made if one.name == "flow_parameter"]
    assert "NACA Report 1135" in flow.source
    assert "0 to about 1.2" in flow.arguments
    assert "tests/published/test_air.py" in flow.checks
    assert sum(line.startswith("**") for line in page()) == len(made)


def test_the_page_shows_the_model_as_its_docstrings_have_it() -> None:
    """Mended by ``python -m tests.model_page write``; tests that name a relation may have become more."""
    tests = re.compile(r"<dt>tests</dt><dd>(.*?)</dd>")
    shown = SHOWN.read_text(encoding="utf-8")
    assert tests.sub("", shown) == tests.sub("", html_page())
    named = {name for names in tests.findall(shown) for name in names.split(", ")}
    assert len(named) > 10
    assert [name for name in named if not (ROOT / name).is_file()] == []


def test_every_relation_is_named_by_a_test() -> None:
    assert [one.name for one in relations() if not one.checks] == []
