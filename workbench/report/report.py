"""The report of a job: what was done, found and proved, in one file to print or send."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from html import escape
from pathlib import Path

from workbench.output.drawing import Figure, figure_bytes
from workbench.output.html_page import html_cautions, html_figure, html_list, html_page, html_table
from workbench.output.pdf_pages import PdfPages
from workbench.output.results import write_as
from workbench.sheet.html import sheet_body
from workbench.sheet.parts import Sheet
from workbench.sheet.pdf import print_cautions, print_sheet
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
    sheet: Sheet | None = field(default=None)


def write_report(report: Report, path: Path) -> None:
    """Write a report in the form that the ending of the name says."""
    write_as(path, {".html": lambda: report_page(report), ".pdf": lambda: report_pdf(report)})


def report_page(report: Report) -> str:
    """Write the report as one HTML file."""
    parts = [f"<h1>{escape(report.title)}</h1>"]
    if report.sheet is not None:
        parts.append(html_cautions(report.sheet.cautions))
    parts += [_section_html(section) for section in report.sections]
    if report.sheet is not None:
        parts.append(f'<h1 class="break">Settings sheet: {escape(report.sheet.car)}</h1>')
        parts.append(sheet_body(report.sheet, cautions=False))
    return html_page(report.title, "\n".join(parts))


def _section_html(section: Section) -> str:
    parts = [f"<h2>{escape(section.title)}</h2>", f"<p>{escape(section.text)}</p>"]
    if section.points:
        parts.append(html_list(section.points))
    parts += [html_table(one) for one in section.tables]
    parts += [html_figure(one.finding, figure_bytes(one.figure, "svg")) for one in section.pictures]
    return "\n".join(parts)


def report_pdf(report: Report) -> bytes:
    """Print the report."""
    pages = PdfPages(report.title)
    pages.heading(report.title, 15.0)
    if report.sheet is not None:
        print_cautions(report.sheet, pages)
    for section in report.sections:
        _print_section(section, pages)
    if report.sheet is not None:
        pages.new_page()
        pages.heading(f"Settings sheet: {report.sheet.car}", 14.0)
        print_sheet(report.sheet, pages, cautions=False)
    return pages.to_bytes()


def _print_section(section: Section, pages: PdfPages) -> None:
    pages.heading(section.title, 12.0)
    pages.paragraph(section.text, 8.4)
    for point in section.points:
        pages.paragraph(point, 8.0, lead="-")
    for table in section.tables:
        widths = [max(map(len, column)) for column in zip(table.columns, *table.rows, strict=True)]
        # Two letters of room, so that short cells stay whole; long ones are wrapped anyway.
        pages.table(table, [min(max(w + 2, 6), 48) for w in widths])
    for picture in section.pictures:
        png = figure_bytes(picture.figure, "png")
        pages.captioned(picture.finding, png)
