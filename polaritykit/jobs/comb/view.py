"""The page of one comb prediction.

Conventions: reads the document only; the response is drawn from the closed form, as in the figures.
"""

from typing import Any

import numpy as np

from polaritykit.base.air import speed_of_sound
from polaritykit.base.hearing import HEARING_HZ
from polaritykit.base.types import Json
from polaritykit.jobs.comb.plots import response_db, response_grid_hz
from polaritykit.jobs.comb.text import COMB_FOOTNOTE, comb_headline, comb_rows
from polaritykit.pages.page import chart
from polaritykit.pages.view import JobView, Section, Table, ViewChart

_POINTS = 500
#: Temperatures that the page's input takes.
_CELSIUS = (0, 40)


def comb_chart(comb: Json, *, limits: tuple[float, float] | None = None, dense: bool = True) -> Json:
    """Describe the summed response of a comb (of a pair, or by itself) for the page's charts.

    Parameters
    ----------
    comb : dict
        Of a comb or layout document.
    limits : (float, float), optional
        Of the upright axis, dB; what the curve needs when left out.
    dense : bool
        Draw every tooth; otherwise those closer than an eighth of their frequency as a band from dip to peak.
    """
    frequency = response_grid_hz(comb, _POINTS)
    level = response_db(comb, frequency)
    tone = "inverted" if comb["polarity"] == "inverted" else "plain"
    low, high = limits or (float(max(-41.0, min(level.min() - 2, -6.0))), 8.0)
    spacing = comb["notch_spacing_hz"]
    top = float(frequency[-1]) if dense or not spacing else min(float(frequency[-1]), 8.0 * spacing)
    shown = frequency <= top
    area = {
        "x": [round(top, 2), float(frequency[-1])],
        "low": [-(comb["notch_depth_db"] if comb["notch_depth_db"] is not None else 99.0)] * 2,
        "high": [comb["peak_height_db"]] * 2,
        "tone": tone,
    }
    made = chart(
        x={"label": "Hz", "unit": "Hz", "min": 20, "max": float(frequency[-1]), "log": True},
        y={"label": "dB", "min": low, "max": high},
        series=[
            {
                "label": "sum",
                "tone": tone,
                "x": [round(float(hz), 2) for hz in frequency[shown]],
                "y": [round(float(db), 3) for db in level[shown]],
            }
        ],
        marks=[
            {"x": float(hz), "label": f"{hz:.0f}" if dense else ""}
            for hz in comb["notches_hz"]
            if 20 <= hz <= top
        ][: 3 if dense else 1],
    )
    return made | ({"areas": [area]} if top < frequency[-1] else {})


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
        live=live_inputs(document),
        cautions=("A prediction for two sounds alone: reflections and other sources fill notches.",),
    )


def live_inputs(document: Json) -> dict[str, Any]:
    """Give what the page's live inputs begin with, and the speed of sound over temperature."""
    temperature = document["temperature_c"]
    low, high = _CELSIUS
    speeds = [
        speed_of_sound(temperature_c=float(celsius), humidity_percent=document["humidity_percent"]).speed_mps
        for celsius in range(low, high + 1)
    ]
    if temperature is None:  # the speed itself was given: the temperature that has it
        temperature = round(float(np.interp(document["speed_of_sound_mps"], speeds, range(low, high + 1))), 1)
    return {
        "path_m": round(document["path_difference_m"], 4),
        "delay_ms": document["delay_ms"],
        "level_db": document["level_difference_db"],
        "inverted": document["polarity"] == "inverted",
        "temperature_c": temperature,
        "sample_rate": document["sample_rate"],
        "frequency_hz": [round(float(hz), 2) for hz in np.geomspace(*HEARING_HZ, 700)],
        "speed_mps": {"start": low, "step": 1, "values": [round(speed, 3) for speed in speeds]},
    }
