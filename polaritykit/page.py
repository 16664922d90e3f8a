"""Document → one self-contained HTML page that opens offline, with its styles and script inline.

Conventions: templates hold no arithmetic; text is escaped by the engine, data goes in as JSON that cannot end
its element, and a content security policy lets nothing run or load but the package's own script and style.
"""

import base64
import hashlib
from functools import cache
from pathlib import Path
from typing import Any

from polaritykit import __version__
from polaritykit.wording import (
    ACTIONS,
    FAULTS,
    GLYPHS,
    RELATIONS,
    advised,
    band,
    decimals_for,
    frequency,
    lateness,
    measured,
    needs_setting,
    number,
    percent,
    setting,
)

Document = dict[str, Any]

_TEMPLATES = Path(__file__).parent / "templates"


def render(
    template_name: str, *, data: Any = None, scripts: tuple[str, ...] = ("charts.js",), **context: Any
) -> str:
    """Render one of the package's templates as a complete page.

    Parameters
    ----------
    template_name : str
        A file of ``templates/`` that extends ``base.html`` (``layout.html``).
    data : JSON-safe value, optional
        What the page's script reads; charts stand in ``data["charts"]`` (see `chart`).
    scripts : tuple of str
        Script files of ``templates/``, joined in this order.
    **context
        Variables of the template; one that is missing is an error.

    Returns
    -------
    str
        The page, lines ending in a bare newline.
    """
    from markupsafe import Markup

    style = _text("style.css")
    script = "\n".join(_text(name) for name in scripts)
    # The package's own files, not user text: they go in as they stand, and the policy names their hashes.
    page: str = (
        _environment()
        .get_template(template_name)
        .render(
            style=Markup(style),  # noqa: S704 — our own file
            script=Markup(script),  # noqa: S704 — our own file
            style_hash=_hash(style),
            script_hash=_hash(script),
            data=data,
            program=__version__,
            **context,
        )
    )
    return page


def chart(
    *,
    x: dict[str, Any],
    y: dict[str, Any],
    series: list[dict[str, Any]],
    marks: list[dict[str, Any]] | None = None,
) -> dict[str, Any]:
    """Describe a line chart for ``charts.js``; put it into ``data["charts"][key]``.

    Parameters
    ----------
    x, y : dict
        Axes: ``label``, ``min``, ``max``, and optionally ``log`` (decades) and ``ticks`` (list of values).
    series : list of dict
        ``label``, ``x`` and ``y`` (lists of numbers; None breaks the line).
    marks : list of dict, optional
        Vertical marks: ``x`` and ``label``.
    """
    return {"x": x, "y": y, "series": series, "marks": marks or []}


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
    pairs = [dict(pair, index=index) for index, pair in enumerate(document["pairs"])]
    for pair in pairs:
        pair["samples"] = _samples(pair, document["sample_rate"])
    related = [pair for pair in pairs if pair["related"]]
    loops = [
        [" → ".join(loop["tracks"]), number(loop["residual_ms"], 2)]
        for loop in document["corrections"]["loops"]
    ]
    return render(
        "report.html",
        scripts=("charts.js", "report.js"),
        doc=document,
        map=_session_map(document["tracks"], pairs),
        related=related,
        unrelated=[pair for pair in pairs if not pair["related"]],
        loops=loops,
        data=_script_data(document, related),
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
    sure = "" if pair["confidence"] is None else percent(pair["confidence"])
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
        "curves": curves,
        "audio": document.get("audio"),
        "pairs": [
            {
                "reference": pair["reference"],
                "other": pair["other"],
                "curve": kept.get((pair["reference"], pair["other"])),
                "offset_ms": pair["offset_ms"],
                "notches_hz": pair["notches_hz"] or [],
                "advised": _advised(pair),
                "session": _session_setting(settings.get(pair["reference"]), settings.get(pair["other"])),
                "sources": [
                    {
                        "home": source["home"],
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


def _advised(pair: dict[str, Any]) -> dict[str, Any] | None:
    """Turn a pair's advice into a setting of its second track: the early one is delayed."""
    advice = pair["advice"]
    if advice is None:
        return None
    late = (pair["offset_ms"] or 0.0) > 0.0
    delay = advice["delay_ms"] or 0.0
    return {"invert": advice["invert"], "delay": -delay if late else delay}


def _session_setting(a: dict[str, Any] | None, b: dict[str, Any] | None) -> dict[str, Any] | None:
    """Turn the session's settings of both tracks into one of the second against the first."""
    if a is None or b is None:
        return None
    return {"invert": a["invert"] != b["invert"], "delay": b["delay_ms"] - a["delay_ms"]}


@cache
def _environment() -> Any:
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    environment = Environment(
        loader=FileSystemLoader(_TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.policies["json.dumps_kwargs"] = {"allow_nan": False, "separators": (",", ":")}
    for function in (advised, band, frequency, lateness, measured, needs_setting, number, percent, setting):
        environment.filters[function.__name__] = function
    environment.globals.update(ACTIONS=ACTIONS, FAULTS=FAULTS, GLYPHS=GLYPHS, RELATIONS=RELATIONS)
    return environment


def _text(name: str) -> str:
    return (_TEMPLATES / name).read_text(encoding="utf-8").replace("\r\n", "\n")


def _hash(text: str) -> str:
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode()).digest()).decode("ascii")
