"""What the page of a check shows, as plain values: the settings in the order to set them, and the map.

Conventions: reads the document only; a pair is named by its place in the document's ``pairs``.
"""

from collections.abc import Sequence
from typing import Any

from polaritykit.base.wording import decimals_for, listed, number, plural
from polaritykit.jobs.check.words import shifted

Document = dict[str, Any]
Pair = dict[str, Any]

#: Sentences beside the headline; what else is to be said is folded.
MOST_SENTENCES = 3


#: Reasons of tracks whose shift was looked at and left.
_LEFT = ("harm", "small_gain")


def settings_view(document: Document, pairs: Sequence[Pair]) -> dict[str, Any]:
    """Sort the settings by what they ask for: flips, shifts that matter, and the folded rest.

    Parameters
    ----------
    document : dict
    pairs : sequence of dict
        Related pairs with their ``index``.

    Returns
    -------
    dict
        ``act``: rows to set, flips first; ``folded``: (heading, rows) of what may be left.
    """
    heard = {(p["reference"], p["other"]) for p in (document.get("audio") or {}).get("pairs", ())}
    drawn = {(entry["reference"], entry["other"]) for entry in (document["curves"] or {}).get("pairs", ())}
    tracks = document["corrections"]["tracks"]
    rows = [_setting_row(track, document, pairs, heard=heard, drawn=drawn) for track in tracks]
    groups: dict[str, list[dict[str, Any]]] = {
        name: [] for name in ("flip", "shift", "wait", "optional", "left", "agrees", "open")
    }
    for row in rows:
        groups[row["kind"]].append(row)
    groups["shift"].sort(key=lambda row: -(row["gain_db"] or 0.0))
    folded = [
        (plural(len(groups["wait"]), "track") + " to delay at a desk, which cannot advance", groups["wait"]),
        (f"Optional: {plural(len(groups['optional']), 'track')} with a small gain", groups["optional"]),
        (
            f"Left: {plural(len(groups['left']), 'track')} that a shift would cost or hardly gain",
            groups["left"],
        ),
        (f"Agrees: {plural(len(groups['agrees']), 'track')} to leave", groups["agrees"]),
        (f"Not judged: {plural(len(groups['open']), 'track')}", groups["open"]),
    ]
    return {
        "act": groups["flip"] + groups["shift"],
        "folded": [(heading, members) for heading, members in folded if members],
    }


def _setting_row(
    track: dict[str, Any],
    document: Document,
    pairs: Sequence[Pair],
    *,
    heard: set[tuple[str, str]],
    drawn: set[tuple[str, str]],
) -> dict[str, Any]:
    status, delay = track.get("status", "not judged"), track["delay_ms"]
    shift = track.get("shift_ms", delay)
    if track["invert"]:
        kind = "flip"
    elif status == "set":
        kind = "shift"
    elif delay > 0.0:
        kind = "wait"
    elif track.get("weight") == "optional":
        kind = "optional"
    else:
        kind = "open" if status != "agrees" else "left" if track.get("reason") in _LEFT else "agrees"
    optional = track.get("optional_shift_ms")
    proof = _proof(track, document["corrections"]["anchor"], pairs, heard=heard, drawn=drawn)
    return {
        "name": track["name"],
        "anchor": track["name"] == document["corrections"]["anchor"],
        "kind": kind,
        "invert": track["invert"],
        "delay": number(delay, 2) if delay > 0.0 else "",
        "samples": number(track["delay_samples"], 0) if delay > 0.0 else "",
        "workstation": shifted(shift) if round(shift - delay, 6) else "",
        "maybe": shifted(optional) if optional is not None else "",
        "gain_db": track.get("gain_db"),
        "why": track["why"],
        "short": (*track.get("clauses", ()), track["why"])[0],
        "pair": None if proof is None else proof["index"],
        "heard": proof is not None and (proof["reference"], proof["other"]) in heard,
    }


def _proof(
    track: dict[str, Any],
    anchor: str | None,
    pairs: Sequence[Pair],
    *,
    heard: set[tuple[str, str]],
    drawn: set[tuple[str, str]],
) -> Pair | None:
    """Find the pair on which a track's setting is best heard: with the anchor, else where most is gained."""
    name = track["name"]
    mine = [p for p in pairs if name in (p["reference"], p["other"])]
    if not mine:
        return None

    def worth(pair: Pair) -> tuple[bool, bool, bool, float]:
        key = (pair["reference"], pair["other"])
        gain = (pair["advice"] or {}).get("gain_db") or 0.0
        return key in drawn, key in heard, anchor in key, gain

    return max(mine, key=worth)


def map_view(document: Document, pairs: Sequence[Pair]) -> dict[str, Any]:
    """Make the map: a table per group of tracks that share sound, and the tracks that share none.

    Parameters
    ----------
    document : dict
    pairs : sequence of dict
        All pairs with their ``index``, their words (``sure``, ``late``) and what is ``left`` of them.

    Returns
    -------
    dict
        ``groups``: name, size and rows of cells each (None on the diagonal); ``alone``: names.
    """
    found = {}
    for pair in pairs:
        found[pair["reference"], pair["other"]] = pair
        found[pair["other"], pair["reference"]] = pair
    names = [track["name"] for track in document["tracks"]]
    groups = _groups(names, pairs)
    return {
        "groups": [
            {
                "label": "Session map" if len(groups) == 1 else f"Map of {listed(group, most=3)}",
                "size": "tiny" if len(group) > 26 else ("dense" if len(group) > 12 else "wide"),
                "rows": [
                    {
                        "name": row,
                        "cells": [
                            None if row == column else _cell(row, column, found.get((row, column)))
                            for column in group
                        ],
                    }
                    for row in group
                ],
            }
            for group in groups
        ],
        "alone": [name for name in names if not any(name in group for group in groups)],
    }


def _groups(names: Sequence[str], pairs: Sequence[Pair]) -> list[list[str]]:
    """Tracks that related pairs connect, in session order, the largest group first; single ones left out."""
    label = {name: number for number, name in enumerate(names)}
    for pair in pairs:
        old, new = label[pair["other"]], label[pair["reference"]]
        if pair["related"] and old != new:
            label = {name: new if value == old else value for name, value in label.items()}
    groups = [[name for name in names if label[name] == value] for value in dict.fromkeys(label.values())]
    return sorted((group for group in groups if len(group) > 1), key=lambda group: -len(group))


def _cell(row: str, column: str, pair: Pair | None) -> dict[str, Any]:
    """One cell of the map: how the column's track arrives against the row's, now and once all is set."""
    who = f"{column} against {row}"
    if pair is None or not pair["related"]:
        return {"pair": None, "label": f"{who}: " + ("not measured" if pair is None else "share no sound")}
    turned = pair["reference"] != row
    sure, left = pair["sure"], pair["left"]
    return {
        "pair": pair["index"],
        "polarity": pair["polarity"],
        "offset": _signed(pair["offset_ms"], pair["offset_std_ms"], turned=turned),
        "confidence": sure,
        "label": f"{who}: polarity {pair['polarity']}, {pair['late']}" + (sure and f", confidence {sure}"),
        "left_polarity": left["polarity"],
        "left_offset": _signed(left["offset_ms"], pair["offset_std_ms"], turned=turned),
    }


def _signed(offset_ms: float | None, std_ms: float | None, *, turned: bool) -> str:
    if offset_ms is None:
        return ""
    return number(-offset_ms if turned else offset_ms, decimals_for(std_ms, most=2), signed=True)
