"""Document of a check to its page: verdict, settings, map, pairs, levels, method, cautions.

Conventions: reads the document only; what the page's script needs goes in as data.
"""

import math
from collections import Counter
from typing import Any

from polaritykit.base.short_document import with_short_names
from polaritykit.base.wording import GLYPHS, band, by_reason, decimals_for, listed, measured, number, plural
from polaritykit.jobs.check.after_settings import left_over, session_setting
from polaritykit.jobs.check.view import MOST_SENTENCES, map_view, settings_view
from polaritykit.jobs.check.words import ACTIONS, RELATIONS, advised, certainty, lateness, lined_up
from polaritykit.levels.faults import fault_words
from polaritykit.pages.page import chart, render

Document = dict[str, Any]
Pair = dict[str, Any]


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
    document = document | {"pairs": [lined_up(pair) for pair in document["pairs"]]}
    pairs = _pairs(document)
    related = [dict(pair, place=place) for place, pair in enumerate(p for p in pairs if p["related"])]
    unrelated = [pair for pair in pairs if not pair["related"]]
    corrections, sentences = document["corrections"], document["summary"]["sentences"]
    loops = [
        [" → ".join(loop["tracks"]), number(loop["residual_ms"], 2, signed=True)]
        for loop in corrections["loops"]
        if abs(loop["residual_ms"]) >= 0.005
    ]
    settings = settings_view(document, related)
    return render(
        "report.html",
        scripts=("charts.js", "bench.js", "session.js", "report.js"),
        styles=("style.css", "report.css"),
        filters=(advised, fault_words),
        ACTIONS=ACTIONS,
        GLYPHS=GLYPHS,
        RELATIONS=RELATIONS,
        doc=document,
        lead=sentences[:MOST_SENTENCES],
        more=sentences[MOST_SENTENCES:],
        settings=settings,
        map=map_view(document, pairs),
        acting=[pair for pair in related if pair["acts"]],
        leaving=[pair for pair in related if not pair["acts"]],
        unrelated=by_reason(_named(unrelated, "reason"), most=99),
        n_unrelated=len(unrelated),
        outvoted=by_reason(_named(corrections["outvoted"] or [], "why")),
        served=_served(document),
        loops=loops,
        changes_sum=bool(document["kit_sum"]["centre_hz"]) and bool(settings["act"]),
        session_sound=(document.get("audio") or {}).get("session"),
        has_audio=bool(document.get("audio")),
        data=_script_data(document, related),
    )


def _pairs(document: Document) -> list[Pair]:
    """Pairs with their place, their session's setting, and what that leaves."""
    settings = {track["name"]: track for track in document["corrections"]["tracks"]}
    entries: list[dict[str, Any]] = (document["curves"] or {}).get("pairs", [])
    kept = {(entry["reference"], entry["other"]): place for place, entry in enumerate(entries)}
    pairs = []
    for index, stored in enumerate(document["pairs"]):
        pair = dict(stored, index=index)
        place = kept.get((pair["reference"], pair["other"]))
        setting = session_setting(settings.get(pair["reference"]), settings.get(pair["other"]))
        pair |= {
            "curve": place,
            "notches": [] if place is None else entries[place].get("notches") or [],
            "session": setting,
            "left": left_over(pair, setting),
            "samples": _samples(pair, document["sample_rate"]),
            "rows": [_source_row(source) for source in pair["sources"]],
            "sure": certainty(pair),
            "late": lateness(pair),
            "acts": bool(pair["advice"]) and pair["advice"]["action"] not in ("leave", "listen"),
        }
        pairs.append(pair)
    return pairs


def _source_row(source: dict[str, Any]) -> tuple[str, ...]:
    """Home, where it is heard, offset, polarity, confidence and band of one of a pair's sources."""
    return (
        source["home"],
        f"{source['hits']} {'hits' if source['kind'] == 'hits' else 'moments'}",
        measured(source["offset_ms"], source["offset_std_ms"], "ms", signed=True),
        source["polarity"] + ", against the other sources" * source["dissents"],
        certainty(source) or "–",
        band(source["band_hz"]),
    )


def _named(pairs: list[Pair], key: str) -> list[tuple[str, str, str]]:
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
    made = chart(
        x={"label": "Hz", "unit": "Hz", "log": True, "min": 22, "max": 22_500, "ticks": kit["centre_hz"]},
        y={"label": "dB", "min": math.floor(min(levels) - 1), "max": math.ceil(max(levels) + 1)},
        series=[
            {
                "label": "with these settings",
                "tone": "set",
                "x": kit["centre_hz"],
                "y": kit["after_db"],
                "points": True,
            },
            {
                "label": "as recorded",
                "tone": "recorded",
                "x": kit["centre_hz"],
                "y": kit["before_db"],
                "points": True,
            },
        ],
    )
    return made | {"height": 190}


def _samples(pair: Pair, sample_rate: int) -> str | None:
    """Write the offset in samples, to its uncertainty; None where the two tracks coincide within it."""
    offset, std_ms = pair["offset_samples"], pair["offset_std_ms"]
    if offset is None:
        return None
    std = None if std_ms is None else std_ms * sample_rate / 1e3
    if std is not None and abs(offset) <= std:
        return None
    return f"{number(abs(offset), decimals_for(std, most=2))} samples"


def _script_data(document: Document, related: list[Pair]) -> dict[str, Any]:
    """Collect what the page's script draws from: the curves, and what the bench of each pair needs."""
    return {
        "key": f"{document['session']['name']} {document['created']}",
        "sample_rate": document["sample_rate"],
        "charts": {"kit": _kit_chart(document)} if document["kit_sum"]["centre_hz"] else {},
        "curves": document["curves"],
        "waves": document.get("waves"),
        "audio": document.get("audio"),
        "tracks": {
            track["name"]: {"invert": track["invert"], "delay_ms": track["delay_ms"]}
            for track in document["corrections"]["tracks"]
        },
        "pairs": [_bench_pair(pair) for pair in related],
    }


def _bench_pair(pair: Pair) -> dict[str, Any]:
    homes = Counter(source["home"] for source in pair["sources"])
    return {
        "index": pair["index"],
        "reference": pair["reference"],
        "other": pair["other"],
        "curve": pair["curve"],
        "offset_ms": pair["offset_ms"],
        "session": pair["session"],
        "sources": [
            {
                "home": source["home"],
                "label": _label(source, alone=homes[source["home"]] == 1),
                "band_hz": source["band_hz"],
                "offset_ms": source["offset_ms"],
                "offset_words": pair["rows"][place][2],
                "notches": pair["notches"][place] if place < len(pair["notches"]) else None,
            }
            for place, source in enumerate(pair["sources"])
        ],
    }


def _label(source: dict[str, Any], *, alone: bool) -> str:
    """Name a source by its home track, and by its hits too where two have one home."""
    return str(source["home"]) if alone else f"{source['home']}, {plural(source['hits'], 'hit')}"
