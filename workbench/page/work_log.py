"""In a job's process: a log read and judged, and the model fitted to it."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from sim import Car
    from workbench.page.jobs import Tell

MOST_CURVES = 4
"""Stretches of a fit that are drawn."""


def log_work(tell: Tell, *, path: Path, columns: str, car: Car | None) -> dict[str, Any]:
    """Read a log and say what is in it and what drives the idle.

    Parameters
    ----------
    tell : callable
        Told the share done and what is being done.
    path : Path
        The log.
    columns : str
        Columns by hand, empty where none are.
    car : Car or None
        The car, if the log is of it.

    Returns
    -------
    dict
        Sentences and a picture (SVG) by whether imperial.
    """
    from tuning import diagnose, read_log
    from workbench.column_names import columns_from_text
    from workbench.drawing import figure_bytes
    from workbench.figures_log import diagnosis_figure

    tell(0.1, "reading")
    log = read_log(path, columns_from_text(columns or None))
    tell(0.4, "judging")
    found = diagnose(log, car)
    tell(0.8, "drawing")
    verdict, *lines = found.lines()
    return {
        "name": path.name, "verdict": verdict, "lines": lines,
        "recognised": [one.replace(f"{path.parent}{os.sep}", "") for one in log.summary()],
        "hunting": found.hunting,
        "segments": [[one.kind, one.from_s, one.to_s] for one in found.segments],
        "picture": {
            one: figure_bytes(diagnosis_figure(log, found, titled=False, imperial=one), "svg")
            for one in (False, True)
        },
    }  # fmt: skip


def fit_work(tell: Tell, *, paths: list[Path], columns: str, car: Car, seed: int) -> dict[str, Any]:
    """Fit the model to logs.

    Parameters
    ----------
    tell : callable
        Told the share done and what is being done.
    paths : list of Path
        The logs.
    columns : str
        Columns by hand, empty where none are.
    car : Car
        As described so far.
    seed : int
        Seed of the fit.

    Returns
    -------
    dict
        Sentences, pictures (SVG) by whether imperial, and the fitted car.
    """
    from tuning import fit, read_log
    from workbench.column_names import columns_from_text
    from workbench.drawing import figure_bytes
    from workbench.figures_log import fit_figure, fit_finding, numbers_figure, numbers_finding

    by_hand = columns_from_text(columns or None)
    logs = [read_log(path, by_hand) for path in paths]
    found = fit(car, logs, seed=seed, on_progress=tell)
    tell(1.0, "drawing")
    verdict, *lines = found.lines()
    numbers = figure_bytes(numbers_figure(found, titled=False), "svg")
    curves = range(min(len(found.curves), MOST_CURVES))
    pictures = {
        one: [
            numbers,
            *(
                figure_bytes(fit_figure(found, i, titled=False, imperial=one), "svg")
                for i in curves
            ),
        ]
        for one in (False, True)
    }
    return {
        "verdict": verdict, "trusted": found.trusted, "lines": lines, "car": found.car,
        "pictures": pictures, "told": [numbers_finding(found), fit_finding(found)],
    }  # fmt: skip
