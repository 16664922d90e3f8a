"""Document of a check to its page: verdict, settings, map, pairs, levels, method, cautions.

Conventions: reads the document only; what the page's script needs goes in as data.
"""

import math
from typing import Any

from polaritykit.base.short_document import with_short_names
from polaritykit.base.wording import GLYPHS, by_reason, decimals_for, listed, measured, number
from polaritykit.jobs.check.words import (
    ACTIONS,
    FAULTS,
    RELATIONS,
    advised,
    certainty,
    lateness,
    lined_up,
    needs_setting,
    setting,
    shifted,
)
from polaritykit.pages.page import chart, render

Document = dict[str, Any]


_LOWEST_HZ = 20.0


#: Predicted notches marked in a chart: further up they lie too close, and too shallow, to be told apart.
_MOST_NOTCHES = 12


def report_page(document: Document) -> str:
    """Render the report of a check: verdict, map, pairs, levels, method, cautions.

    Parameters
    ----------
    document : dict
        The document of a check, excerpts of audio included where asked for.

    Returns
    -------
    str
        One self-contained page.
    """
    document = with_short_names(document, [track["name"] for track in document["tracks"]])
    pairs = [dict(lined_up(pair), index=index) for index, pair in enumerate(document["pairs"])]
    for pair in pairs:
        pair["samples"] = _samples(pair, document["sample_rate"])
        # The notch of an inverted pair at 0 Hz is none that is heard.
        pair["heard_notches"] = [notch for notch in pair["notches_hz"] or () if notch >= _LOWEST_HZ]
    related = [pair for pair in pairs if pair["related"]]
    loops = [
        [" → ".join(loop["tracks"]), number(loop["residual_ms"], 2, signed=True)]
        for loop in document["corrections"]["loops"]
        if abs(loop["residual_ms"]) >= 0.005
    ]
    return render(
        "report.html",
        scripts=("charts.js", "report.js"),
        filters=(advised, certainty, lateness, needs_setting, setting, shifted),
        ACTIONS=ACTIONS,
        FAULTS=FAULTS,
        GLYPHS=GLYPHS,
        RELATIONS=RELATIONS,
        doc=document,
        map=_session_map(document["tracks"], pairs),
        related=related,
        unrelated=by_reason(_named([pair for pair in pairs if not pair["related"]], "reason"), most=99),
        n_unrelated=len(pairs) - len(related),
        outvoted=by_reason(_named(document["corrections"]["outvoted"] or [], "why")),
        served=_served(document),
        loops=loops,
        changes_sum=bool(document["kit_sum"]["centre_hz"])
        and any(needs_setting(track) for track in document["corrections"]["tracks"]),
        data=_script_data(document, related),
    )


def _named(pairs: list[dict[str, Any]], key: str) -> list[tuple[str, str, str]]:
    return [(pair["reference"], pair["other"], pair[key] or "") for pair in pairs]


def _served(document: Document) -> list[list[str]]:
    """Rows of the table that says where the delays bring each source together with the anchor."""
    return [
        [
            source["home"],
            listed(source["together"]) if source["together"] else "–",
            listed(
                [
                    f"{item['track']} {number(item['residual_ms'], 2, signed=True)} ms"
                    for item in source["apart"]
                ]
                or ["–"]
            ),
        ]
        for source in document["served"]
    ]


def _kit_chart(document: Document) -> dict[str, Any]:
    """Describe the chart of the whole sum per octave."""
    kit = document["kit_sum"]
    levels = [*kit["before_db"], *kit["after_db"], 0.0]
    return chart(
        x={"label": "Hz", "unit": "Hz", "log": True, "min": 22, "max": 22_500, "ticks": kit["centre_hz"]},
        y={"label": "dB", "min": math.floor(min(levels) - 1), "max": math.ceil(max(levels) + 1)},
        series=[
            {"label": "with these settings", "x": kit["centre_hz"], "y": kit["after_db"], "points": True},
            {"label": "as recorded", "x": kit["centre_hz"], "y": kit["before_db"], "points": True},
        ],
    )


def _samples(pair: dict[str, Any], sample_rate: int) -> str | None:
    """Write the offset in samples, to its uncertainty; None where the two tracks coincide within it."""
    offset, std_ms = pair["offset_samples"], pair["offset_std_ms"]
    if offset is None:
        return None
    std = None if std_ms is None else std_ms * sample_rate / 1e3
    if std is not None and abs(offset) <= std:
        return None
    return f"{number(abs(offset), decimals_for(std, most=2))} samples"


def _session_map(tracks: list[dict[str, Any]], pairs: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Rows of the map; a cell is None on the diagonal."""
    found = {}
    for pair in pairs:
        found[pair["reference"], pair["other"]] = pair
        found[pair["other"], pair["reference"]] = pair
    names = [track["name"] for track in tracks]
    return [
        {
            "name": row,
            "cells": [
                None if row == column else _cell(row, column, found.get((row, column))) for column in names
            ],
        }
        for row in names
    ]


def _cell(row: str, column: str, pair: dict[str, Any] | None) -> dict[str, Any]:
    """One cell of the map: how the column's track arrives against the row's."""
    who = f"{column} against {row}"
    if pair is None or not pair["related"]:
        return {"pair": None, "label": f"{who}: " + ("not measured" if pair is None else "share no sound")}
    offset, std = pair["offset_ms"], pair["offset_std_ms"]
    sure = certainty(pair)
    if offset is not None and pair["reference"] != row:
        offset = -offset
    return {
        "pair": pair["index"],
        "polarity": pair["polarity"],
        "offset": "" if offset is None else number(offset, decimals_for(std, most=2), signed=True),
        "confidence": sure,
        "label": f"{who}: polarity {pair['polarity']}, {lateness(pair)}" + (sure and f", confidence {sure}"),
    }


def _script_data(document: Document, related: list[dict[str, Any]]) -> dict[str, Any]:
    """Collect what the page's script draws from: the curves, and what the bench of each pair needs."""
    curves = document["curves"]
    kept = {(entry["reference"], entry["other"]): index for index, entry in enumerate(curves["pairs"])}
    settings = {track["name"]: track for track in document["corrections"]["tracks"]}
    return {
        "sample_rate": document["sample_rate"],
        "charts": {"kit": _kit_chart(document)} if document["kit_sum"]["centre_hz"] else {},
        "curves": curves,
        "audio": document.get("audio"),
        "pairs": [
            {
                "reference": pair["reference"],
                "other": pair["other"],
                "curve": kept.get((pair["reference"], pair["other"])),
                "offset_ms": pair["offset_ms"],
                "notches_hz": pair["heard_notches"][:_MOST_NOTCHES],
                "advised": _advised(pair),
                "session": _session_setting(settings.get(pair["reference"]), settings.get(pair["other"])),
                "sources": [
                    {
                        "home": source["home"],
                        "label": _label(source, pair["sources"]),
                        "band_hz": source["band_hz"],
                        "offset_ms": source["offset_ms"],
                        "offset_words": measured(
                            source["offset_ms"], source["offset_std_ms"], "ms", signed=True
                        ),
                    }
                    for source in pair["sources"]
                ],
            }
            for pair in related
        ],
    }


def _label(source: dict[str, Any], sources: list[dict[str, Any]]) -> str:
    """Name a source by its home track, and by its hits too where two have one home."""
    alone = sum(other["home"] == source["home"] for other in sources) == 1
    return str(source["home"]) if alone else f"{source['home']}, {source['hits']} hits"


def _advised(pair: dict[str, Any]) -> dict[str, Any] | None:
    """Turn a pair's advice into a setting of its second track."""
    advice = pair["advice"]
    if advice is None:
        return None
    return {"invert": advice["invert"], "delay": advice["shift_ms"]}


def _session_setting(a: dict[str, Any] | None, b: dict[str, Any] | None) -> dict[str, Any] | None:
    """Turn the session's settings of both tracks into one of the second against the first."""
    if a is None or b is None:
        return None
    return {"invert": a["invert"] != b["invert"], "delay": b["delay_ms"] - a["delay_ms"]}
