"""The report of a job: what was done, found and proved, in one file to print or send."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from workbench.output.drawing import Figure
from workbench.output.html_page import HtmlPages
from workbench.output.pdf_pages import PdfPages
from workbench.output.results import write_as
from workbench.sheet.parts import Sheet
from workbench.sheet.writing import Pages, write_body
from workbench.words.tables import Table


@dataclass(frozen=True)
class Picture:
    """A figure and the one sentence that it shows."""

    finding: str
    figure: Figure


@dataclass(frozen=True)
class Section:
    """One part of the report: text, then points, tables and figures."""

    title: str
    text: str
    points: Sequence[str] = ()
    tables: Sequence[Table] = ()
    pictures: Sequence[Picture] = ()


@dataclass(frozen=True)
class Report:
    """A report: sections in order, then the sheet."""

    title: str
    sections: Sequence[Section]
    sheet: Sheet


def write_report(report: Report, path: Path) -> None:
    """Write a report in the form that the ending of the name says."""
    write_as(path, {".html": lambda: _written(report, HtmlPages), ".pdf": lambda: _written(report, PdfPages)})


def _written(report: Report, kind: type[Pages]) -> bytes:
    pages = kind(report.title)
    pages.heading(report.title, 15.0)
    pages.cautions(report.sheet.cautions)
    for section in report.sections:
        pages.heading(section.title, 12.0)
        pages.paragraph(section.text, 8.4)
        if section.points:
            pages.points(section.points, 8.0)
        for table in section.tables:
            pages.table(table)
        for picture in section.pictures:
            pages.picture(picture.finding, picture.figure)
    pages.heading(f"Settings sheet: {report.sheet.car}", 14.0, fresh=True)
    write_body(report.sheet, pages)
    return pages.to_bytes()
