"""The page of one comb prediction.

Conventions: reads the document only; the response is drawn from the closed form, as in the figures.
"""

from typing import Any

from polaritykit.base.types import Json
from polaritykit.jobs.comb.plots import response_db, response_grid_hz
from polaritykit.jobs.comb.text import COMB_FOOTNOTE, comb_headline, comb_rows
from polaritykit.pages.page import chart
from polaritykit.pages.view import JobView, Section, Table, ViewChart

_POINTS = 500


def comb_chart(comb: Json) -> Json:
    """Describe the summed response of a comb (of a pair, or by itself) for the page's charts."""
    frequency = response_grid_hz(comb, _POINTS)
    level = response_db(comb, frequency)
    return chart(
        x={"label": "frequency (Hz)", "min": 20, "max": float(frequency[-1]), "log": True},
        y={
            "label": "dB against the louder alone",
            "min": float(max(-40.0, min(level.min() - 2, -6.0))),
            "max": 8,
        },
        series=[
            {
                "label": "sum",
                "tone": "inverted" if comb["polarity"] == "inverted" else "recorded",
                "x": [round(float(hz), 2) for hz in frequency],
                "y": [round(float(db), 3) for db in level],
            }
        ],
        marks=[
            {"x": float(hz), "label": f"{hz:.0f}"} for hz in comb["notches_hz"] if 20 <= hz <= frequency[-1]
        ][:3],
    )


def comb_view(document: dict[str, Any]) -> JobView:
    """Make the view of a comb document."""
    rows = tuple(comb_rows(document))
    figures = dict(rows)
    return JobView(
        job="Comb filter",
        name=f"{figures['Delay']}, polarity {document['polarity']}",
        facts=f"path difference {figures['Path difference']}",
        headline=comb_headline(document),
        sentences=(*document["remarks"], COMB_FOOTNOTE),
        sections=(
            Section(
                title="Summed response",
                charts=(
                    ViewChart(
                        caption="Level of the sum against the louder alone, dB", spec=comb_chart(document)
                    ),
                ),
                table=Table(caption="Figures", columns=("What", "How much"), rows=rows),
            ),
        ),
        cautions=("A prediction for two sounds alone: reflections and other sources fill notches.",),
    )
