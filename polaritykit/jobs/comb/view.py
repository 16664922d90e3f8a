"""The page of one comb prediction.

Conventions: reads the document only; the response is drawn from the closed form, as in the figures.
"""

from typing import Any

from polaritykit.jobs.layout.page import comb_chart
from polaritykit.jobs.layout.text import COMB_FOOTNOTE, comb_headline, comb_rows
from polaritykit.pages.view import JobView, Section, Table, ViewChart


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
