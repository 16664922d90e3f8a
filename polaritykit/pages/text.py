"""Tables as aligned text and as CSV, for every job."""

import csv
import io
from collections.abc import Iterable, Sequence
from typing import Any


def table_text(headings: Sequence[str], rows: Sequence[Sequence[str]]) -> list[str]:
    """Lines of a table with columns as wide as they must be."""
    widths = [max(len(row[i]) for row in (headings, *rows)) for i in range(len(headings))]
    return [
        "  " + "  ".join(f"{cell:<{width}}" for cell, width in zip(row, widths, strict=True)).rstrip()
        for row in (headings, *rows)
    ]


def table_csv(columns: Sequence[str], rows: Iterable[Sequence[Any]]) -> str:
    """CSV text with a header; an unknown value is an empty cell."""
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\n")
    writer.writerow(columns)
    writer.writerows(rows)
    return buffer.getvalue()
