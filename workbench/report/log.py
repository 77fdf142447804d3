"""Report sections on recorded logs: what one tells by itself, and the car fitted to another."""

from __future__ import annotations

from collections import Counter

import tuning
from workbench.figures.log import (
    BANDS,
    diagnosis_figure,
    fit_figure,
    fit_finding,
    numbers_figure,
    numbers_finding,
)
from workbench.report.report import Picture, Section
from workbench.words.tables import Table
from workbench.words.wording import in_words, worded


def diagnosis_section(log: tuning.Log, diagnosis: tuning.Diagnosis) -> Section:
    """Tell what a log shows without any model."""
    verdict, *rest = worded(diagnosis.lines())
    counted = Counter(one.kind for one in diagnosis.segments)
    names = [(name, counted[kind]) for kind, _, name in BANDS if counted[kind]]
    parts = ", ".join(f"{count} x {name}" for name, count in names) or "nothing but idling"
    figure = diagnosis_figure(log, diagnosis, titled=False)
    return Section(
        title="What the log of its idle tells",
        text=f"From the log alone, without any model: {verdict}",
        points=rest,
        pictures=[Picture(f"The log is made of: {parts}.", figure)],
    )


def fit_section(fit: tuning.Fit) -> Section:
    """Tell how the car file was fitted to a log."""
    rows = [
        (
            one.name,
            f"{one.change:+.2f} {one.unit}" if one.unit else f"x {one.change:.2f}",
            f"{one.low:.2f} to {one.high:.2f}",
            "told by the log" if one.told else "the file's value holds",
        )
        for one in fit.numbers
    ]
    verdict, worth, scatter, *_ = worded(fit.lines())
    return Section(
        title="The car as the log shows it",
        text=(
            f"{verdict} A recording made as the recording plan says, feedback off, was replayed by the model"
            " until both agreed; from here on this fitted car is used, with what the log leaves uncertain."
        ),
        points=[
            worth,
            scatter,
            *(in_words(one) for one in (*(check.note for check in fit.checks), *fit.notes)),
        ],
        tables=[Table(("number", "change", "90 % interval", "source"), rows, " rr ")],
        pictures=[
            Picture(fit_finding(fit), fit_figure(fit, titled=False)),
            Picture(numbers_finding(fit), numbers_figure(fit, titled=False)),
        ],
    )
