"""Tables as aligned text and as CSV, for every job."""

import csv
from collections.abc import Iterable, Iterator, Sequence
from typing import Any


def table_text(headings: Sequence[str], rows: Sequence[Sequence[str]]) -> list[str]:
    """Lines of a table with columns as wide as they must be."""
    widths = [max(len(row[i]) for row in (headings, *rows)) for i in range(len(headings))]
    return [
        "  " + "  ".join(f"{cell:<{width}}" for cell, width in zip(row, widths, strict=True)).rstrip()
        for row in (headings, *rows)
    ]


def csv_cell(value: Any) -> Any:
    """Return a cell that no spreadsheet takes for a formula: a text that begins like one gets an apostrophe.

    Numbers stay as they are, negative ones too, also where they are written as text.

    Examples
    --------
    >>> csv_cell("=1+1"), csv_cell("-snare"), csv_cell(-1.5), csv_cell("-1.5"), csv_cell("kick")
    ("'=1+1", "'-snare", -1.5, '-1.5', 'kick')
    """
    if not isinstance(value, str) or not value.startswith(("=", "+", "-", "@")):
        return value
    try:
        float(value)
    except ValueError:
        return "'" + value
    return value


def table_csv(columns: Sequence[str], rows: Iterable[Sequence[Any]]) -> str:
    """CSV text with a header; an unknown value is an empty cell."""
    return "".join(csv_lines(columns, rows))


def csv_lines(columns: Sequence[str], rows: Iterable[Sequence[Any]]) -> Iterator[str]:
    """Yield the same line by line, for tables that need not fit into memory."""
    writer = csv.writer(_Returned(), lineterminator="\n")
    yield writer.writerow(columns)
    for row in rows:
        yield writer.writerow([csv_cell(value) for value in row])


class _Returned:
    """What a writer of CSV writes to: each line comes back to who wrote it."""

    def write(self, line: str) -> str:
        return line
