"""Charts are read without colours, and on a phone: marks, inks and room."""

from __future__ import annotations

from typing import Any

import pytest

from workbench.page.explore_why import map_option, white_ink
from workbench.page.look import DARK, LIGHT, Palette
from workbench.page.settings_tab import CHOSEN, TRIED, UNBEATEN, beside_option, front_option

MAP: dict[str, Any] = {
    "x_key": "min_move_steps", "y_key": "deadband_rpm", "x": [1.0, 2.0], "y": [0.0, 10.0],
    "chance": [[1.0, 0.17], [0.5, 0.0]], "runs": 6, "border_x": [1.0, 2.0], "border_y": [5.0, 10.0],
}  # fmt: skip
RUN = {"rpm": [[0.0, 850.0], [40.0, 900.0]], "valve": [[0.0, 12.0], [40.0, 12.0]]}


def luminance(shade: list[float]) -> float:
    """Relative luminance of sRGB from 0 to 255, by the table of WCAG 2.1."""
    parts = [c / 255.0 for c in shade]
    linear = [c / 12.92 if c <= 0.03928 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return sum(w * c for w, c in zip((0.2126, 0.7152, 0.0722), linear, strict=True))


@pytest.mark.parametrize("palette", [LIGHT, DARK])
def test_every_number_of_the_map_is_read_on_its_shade(palette: Palette) -> None:
    ends = [[int(one[i : i + 2], 16) for i in (1, 3, 5)] for one in (palette.least, palette.most)]
    for chance in range(101):
        shade = [a + (b - a) * chance / 100.0 for a, b in zip(*ends, strict=True)]
        light = luminance(shade)
        ratio = 1.05 / (light + 0.05) if white_ink(chance, palette) else (light + 0.05) / 0.05
        assert ratio >= 4.5, f"{chance} of 100"


def test_cells_that_never_hunt_bear_no_number_and_the_mark_hides_none() -> None:
    cells, numbers, _, mark = map_option(MAP, (1.0, 0.0), LIGHT)["series"]
    assert [cell[2] for cell in cells["data"]] == [6, 1, 3, 0]
    assert [cell[2] for cell in numbers["data"]] == [6, 1, 3]
    assert mark["itemStyle"]["color"] == "transparent"
    assert numbers["z"] > mark["z"]


def test_candidates_that_no_other_beats_are_marked() -> None:
    points = [
        [5.0, 5.0, 5.0, 10.0, 0.0],  # the best score, beaten on all three by the next
        [4.0, 4.0, 4.0, 11.0, 1.0],
        [1.0, 9.0, 9.0, 12.0, 1.0],
        [9.0, 9.0, 1.0, 13.0, 1.0],
        [9.0, 9.0, 2.0, 14.0, 0.0],
    ]
    shown = {one["name"]: one["data"] for one in front_option(points, LIGHT)["series"]}
    drawn = {name: [points[dot["value"][-1]] for dot in dots] for name, dots in shown.items()}
    assert drawn == {
        UNBEATEN: [points[1], points[2], points[3]], TRIED: [points[0], points[4]],
        CHOSEN: [points[0]],
    }  # fmt: skip
    assert all(not one["data"] for one in front_option([], LIGHT)["series"])


@pytest.mark.parametrize("width", [330, 620])
def test_two_pictures_beside_each_other_have_one_scale_and_room_between(width: int) -> None:
    runs = [{**RUN, "target_rpm": 850.0}, {**RUN, "target_rpm": 850.0}]
    option = beside_option(runs, LIGHT)
    left, _, right, _ = option["grid"]
    share = float(left["width"].rstrip("%")) / 100.0
    assert left["width"] == right["width"]
    begins = width - right["right"] - share * width
    assert begins >= left["left"] + share * width + 6
    assert option["yAxis"][0]["min"] == option["yAxis"][2]["min"]
    assert option["yAxis"][0]["max"] == option["yAxis"][2]["max"]
    assert [axis["axisLabel"]["show"] for axis in option["yAxis"]] == [True, True, False, False]
