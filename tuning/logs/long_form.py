"""A table of one reading a row turned into one of a column a signal."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence

from tuning.logs import units as _log_units
from tuning.logs.header import Layout, is_number, is_time
from tuning.logs.names import choose_columns
from tuning.logs.rows import read_rows
from tuning.logs.text import Text


def turned_round(text: Text, layout: Layout) -> Text | None:
    """Return a table of one reading a row with a column for each signal; None where it is none.

    It has a column of times, one of numbers, one of names, rpm among them, and maybe one of units. Readings
    of one time that follow each other share a row, which stands on the line of the first of them.
    """
    by_header = choose_columns(layout.headers, [], {})[0]
    if "rpm" in by_header:
        return None
    rows = [row for row in layout.first_rows if len(row) >= layout.width]
    columns = [[row[at] for row in rows] for at in range(layout.width)]
    texts = [
        at for at, cells in enumerate(columns) if not any(is_number(one) or is_time(one) for one in cells)
    ]
    others = [at for at in range(layout.width) if at not in texts]
    units = [at for at in texts if all(_log_units.is_known(one) or not one for one in columns[at])]
    named = [
        at for at in texts
        if at not in units and "rpm" in choose_columns(sorted(set(columns[at])), [], {})[0]
    ]  # fmt: skip
    if len(others) != 2 or len(named) != 1:
        return None
    time = by_header.get("time_s")
    time_at = time.column if time and time.column in others else others[0]
    (value_at,) = (at for at in others if at != time_at)
    wanted = [time_at, *named, value_at, *units[:1]]
    read = read_rows(text, layout, [], wanted)
    told = [read.texts[at] for at in wanted]
    names = [
        f"{name} [{unit}]" if unit else name
        for name, unit in zip(told[1], told[3] if units else [""] * len(told[1]), strict=True)
    ]
    header = layout.headers[time_at] if time else "time"
    return _written(text, layout, header, (told[0], names, told[2]), read.line_of_row.tolist())


def _written(
    text: Text, layout: Layout, header: str, told: tuple[Sequence[str], ...], lines: Sequence[int]
) -> Text:
    """Write times, names and values as a table of one column a name."""
    times, names, values = told
    places = {name: at for at, name in enumerate(dict.fromkeys(names), 1)}
    out = io.StringIO()
    writer = csv.writer(out, delimiter=layout.delimiter, lineterminator="\n")
    out.write("\n" * (layout.header_line - 1))
    writer.writerow([header, *places])
    written, first, row = layout.header_line, 0, [""]
    for at, (time, name, value) in enumerate(zip(times, names, values, strict=True)):
        if at == 0 or time != times[at - 1]:
            row = [time, *[""] * len(places)]
            first = lines[at]
        row[places[name]] = value
        if at + 1 == len(times) or times[at + 1] != time:
            out.write("\n" * (first - written - 1))
            writer.writerow(row)
            written = first
    return Text(text.file, out.getvalue().encode(), (*text.notes, "one reading a row: turned round"))
