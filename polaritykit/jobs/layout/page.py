"""The page of a mic plan: what the document says, the drawing to scale, and the responses to look into.

Conventions: reads the document only; the plan goes in as shapes that the page's style colours, the responses
as data for the charts all pages share, all on one scale.
"""

from typing import Any

from polaritykit.base.types import Json
from polaritykit.jobs.comb.text import sound_words
from polaritykit.jobs.comb.view import comb_chart
from polaritykit.jobs.layout.plots import MOST_CHARTS, charted_pairs
from polaritykit.jobs.layout.text import (
    AGAINST_HEADINGS,
    ARRIVAL_HEADINGS,
    BOUNCE_HEADINGS,
    PAIR_HEADINGS,
    against_rows,
    against_sentences,
    arrival_rows,
    bounce_rows,
    pair_rows,
    plan_headline,
    plan_size,
)
from polaritykit.jobs.layout.view import plan_views
from polaritykit.pages.page import render

#: Deepest dip that the charts' common scale makes room for.
_DEEPEST_DB = 25.0


def layout_page(document: Json) -> str:
    """Render the page of a layout document as self-contained HTML."""
    combs = charted_pairs(document)
    against = document["against"]
    rows = pair_rows(document)
    interest = sum(pair["of_interest"] for pair in document["pairs"])
    depths = [pair["comb"]["notch_depth_db"] or _DEEPEST_DB for pair in combs[:MOST_CHARTS]]
    limits = (-min(_DEEPEST_DB, max([6.0, *depths]) + 1.0), 8.0)
    charts = {
        f"response{i}": comb_chart(pair["comb"], limits=limits, dense=False) | {"height": 150}
        for i, pair in enumerate(combs[:MOST_CHARTS])
    }
    return render(
        "layout.html",
        data={"charts": charts},
        document=document,
        headline=plan_headline(document),
        views=plan_views(document),
        size=plan_size(document),
        sound=sound_words(document),
        headings=_joined(PAIR_HEADINGS, " and "),
        pairs=[_joined(row) for row in rows[:interest]],
        far_pairs=[_joined(row) for row in rows[interest:]],
        arrivals=_table(ARRIVAL_HEADINGS, arrival_rows(document)),
        bounces=_table(BOUNCE_HEADINGS, bounce_rows(document)),
        against=None if against is None else _table(AGAINST_HEADINGS, against_rows(document)),
        against_sentences=[] if against is None else against_sentences(document),
        captions=[f"{pair['source']}: {pair['a']} + {pair['b']}" for pair in combs[:MOST_CHARTS]],
        left_out=max(len(combs) - MOST_CHARTS, 0),
    )


def _table(headings: tuple[str, ...], rows: list[tuple[str, ...]]) -> tuple[Any, Any]:
    """Headings and rows for the page, source and mics in one cell: narrow screens keep it readable."""
    return _joined(headings, " and "), [_joined(row) for row in rows]


def _joined(row: tuple[str, ...], between: str = ": ") -> tuple[str, ...]:
    """Put the first two cells into one."""
    second = row[1] if between == ": " else row[1].lower()
    return (f"{row[0]}{between}{second}", *row[2:])
