"""Document → CSV text and the terminal summary that answers "what do I do?" in its first lines.

Conventions: CSV carries the document's own numbers (offset positive when *other* is late), the terminal shows
them rounded to their uncertainty.  Nothing here writes to a file or a terminal.
"""

import csv
import io
import textwrap
import unicodedata
from collections.abc import Iterable
from typing import Any

from polaritykit.base.short_document import with_short_names
from polaritykit.base.track_names import the_source
from polaritykit.base.wording import by_reason, frequency, number, plural
from polaritykit.jobs.check.loss_words import in_sum, lost
from polaritykit.jobs.check.words import desk, needs_setting, setting
from polaritykit.levels.faults import fault_words
from polaritykit.pages.text import csv_cell

Document = dict[str, Any]

PAIR_COLUMNS = (
    "reference", "other", "related", "relation", "offset_ms", "offset_std_ms", "offset_kind",
    "offset_samples", "polarity", "confidence", "grade", "method", "level_difference_db", "notch_depth_db",
    "drift_ppm", "reason",
)  # fmt: skip
ADVICE_COLUMNS = ("action", "invert", "delay_ms", "shift_ms", "gain_db", "why", "note")
CORRECTION_COLUMNS = ("name", "invert", "delay_ms", "delay_samples", "shift_ms", "status", "reason", "why")

#: Longest list of reasons in the terminal, and of the tracks named for one; the report has them all.
_MOST_ROWS, _MOST_CELLS = 10, 240
#: Losses told beside a setting in the terminal.
_MOST_LOSSES = 3
#: Sentences, and rows under a heading, where a screen is all there is; and lines of such a row.
_BRIEF, _BRIEF_LINES = 3, 2


def pairs_csv(document: Document) -> str:
    """Write one row per pair, nested fields flattened (``advice_action``; notches joined by spaces).

    An unknown value is an empty cell.
    """
    header = [*PAIR_COLUMNS, "notches_hz", *(f"advice_{column}" for column in ADVICE_COLUMNS)]
    rows = []
    for pair in document["pairs"]:
        advice = pair.get("advice") or {}
        row = [pair.get(column) for column in PAIR_COLUMNS]
        row.append(" ".join(f"{notch:.1f}" for notch in pair.get("notches_hz") or ()))
        rows.append([*row, *(advice.get(column) for column in ADVICE_COLUMNS)])
    return _csv([header, *rows])


def corrections_csv(document: Document) -> str:
    """Write one row per track: what to set on it, with the anchor named in each row."""
    corrections = document["corrections"]
    rows = [
        [*(track.get(column) for column in CORRECTION_COLUMNS), corrections["anchor"]]
        for track in corrections["tracks"]
    ]
    return _csv([[*CORRECTION_COLUMNS, "anchor"], *rows])


def summary_text(document: Document, *, width: int = 80, emphasis: bool = False, verbose: bool = True) -> str:
    """Say what to do, then what is unclear and why, then the level faults.

    Parameters
    ----------
    document : dict
        The document of a check.
    width : int
        Columns of the terminal; lines do not grow longer (40 at least).
    emphasis : bool
        Bold headings by control codes; for a terminal that wants them only.
    verbose : bool
        All there is; else what fits a screen, with the counts of what was left out.

    Returns
    -------
    str
        Lines ending in a newline; control characters in names are shown as escapes.
    """
    document = with_short_names(document, [track["name"] for track in document["tracks"]])
    width = max(width, 40)
    summary = document["summary"]
    lines = [_bold(line, emphasis=emphasis) for line in _wrap(summary["headline"], width)]
    sentences = summary["sentences"]
    for sentence in sentences if verbose else sentences[:_BRIEF]:
        lines += _wrap(sentence, width)
    left_out = 0 if verbose else max(len(sentences) - _BRIEF, 0)
    for heading, rows in (
        ("Recorders", [("", text) for one in document.get("recorders") or () for text in one["says"]]),
        ("Set this", _settings(document)),
        ("Unclear", _unclear(document)),
        ("Do not fit the rest", _outvoted(document)),
        ("Levels and files", _faults(document)),
        ("Level advice", [("", sentence) for sentence in document.get("levels_advice") or ()]),
        ("Input", [("", note) for note in document["notes"]]),
    ):
        brief = not verbose and heading != "Set this"
        shown = rows[:_BRIEF] if brief else rows
        left_out += len(rows) - len(shown)
        if shown:
            lines += ["", _bold(heading, emphasis=emphasis), *_columns(shown, width, brief=brief)]
    if left_out:
        lines += ["", f"{plural(left_out, 'more remark')} in the report, and here with -v."]
    return "\n".join(lines) + "\n"


def _settings(document: Document) -> list[tuple[str, str]]:
    anchor = document["corrections"]["anchor"]
    tracks = document["corrections"]["tracks"]
    rate = document["sample_rate"]
    rows = [
        (track["name"], setting(track, rate) + " (anchor)" * (track["name"] == anchor) + _costs(track))
        for track in tracks
        if needs_setting(track)
    ]
    if rows and anchor and all(name != anchor for name, _ in rows):
        rows.append((anchor, "anchor: the others are set against it"))
    on_a_desk = desk(tracks, rate)
    return [*rows, ("a desk", on_a_desk)] if on_a_desk else rows


def _costs(track: dict[str, Any]) -> str:
    """Say what a track's setting costs, where it is set."""
    words: dict[bool, list[str]] = {True: [], False: []}
    told_of: dict[tuple[str, float, str], dict[str, Any]] = {}
    for loss in track["losses"]:
        # Two mics of one drum may both be homes of it: the worst is told.
        key = the_source(loss["home"]), loss["octave_hz"], loss["where"]
        told_of[key] = min(told_of.get(key, loss), loss, key=lambda one: float(one["db"]))
    # What is sure before what may be.
    worst_first = sorted(
        told_of.values(), key=lambda one: (not lost(one["db"], one.get("std_db"))[0], float(one["db"]))
    )
    for loss in worst_first[:_MOST_LOSSES]:
        sure, lost_db = lost(loss["db"], loss.get("std_db"))
        where = f"around {frequency(loss['octave_hz'])} {in_sum(loss['where'])}"
        words[sure].append(
            f"{the_source(loss['home'])} {'' if sure else 'up to '}{number(lost_db, 1)} dB {where}"
        )
    said = (("costs", words[True]), ("may cost", words[False]))
    more = len(worst_first) - _MOST_LOSSES
    rest = f"; {more} more in the report" if more > 0 else ""
    return "".join(f"; {verb} {', '.join(told)}" for verb, told in said if told) + rest


def _unclear(document: Document) -> list[tuple[str, str]]:
    return _grouped(
        [
            (pair["reference"], pair["other"], pair["reason"] or "no reason given")
            for pair in document["pairs"]
            if pair["related"] and (pair["polarity"] == "unclear" or pair["offset_ms"] is None)
        ]
    )


def _outvoted(document: Document) -> list[tuple[str, str]]:
    outvoted = document["corrections"].get("outvoted") or []
    return _grouped([(pair["reference"], pair["other"], pair["why"]) for pair in outvoted])


def _grouped(items: list[tuple[str, str, str]]) -> list[tuple[str, str]]:
    """One row a reason: how many pairs, the reason, and which."""
    short = [(_shorten(_plain(a), 24), _shorten(_plain(b), 24), why) for a, b, why in items]
    rows = [
        (plural(count, "pair"), f"{reason}: {_shorten(who, _MOST_CELLS)}")
        for reason, count, who in by_reason(short, most=4)
    ]
    more = sum(count for _, count, _ in by_reason(short)[_MOST_ROWS:])
    return [*rows[:_MOST_ROWS], *([("…", f"{plural(more, 'more pair')} in the report")] if more else [])]


def _faults(document: Document) -> list[tuple[str, str]]:
    rows = []
    for track in document["tracks"]:
        words = [fault_words(fault) for fault in track["faults"]]
        remarks = track.get("remarks") or []
        if words or remarks:
            rows.append((track["name"], ". ".join(filter(None, [", ".join(words), " ".join(remarks)]))))
    return rows


def _columns(rows: list[tuple[str, str]], width: int, *, brief: bool = False) -> list[str]:
    """Two columns; the left one takes at most two fifths, the right one is wrapped, or cut where brief."""
    names = [_shorten(_plain(left), width * 2 // 5) for left, _ in rows]
    left_width = max(_cells(name) for name in names)
    indent = 4 + left_width if left_width else 2
    lines = []
    for name, (_, text) in zip(names, rows, strict=True):
        wrapped = _wrap(text, width - indent) or [""]
        if brief and len(wrapped) > _BRIEF_LINES:
            wrapped = [
                *wrapped[: _BRIEF_LINES - 1],
                _shorten(f"{wrapped[_BRIEF_LINES - 1]} …", width - indent),
            ]
        first, *rest = wrapped
        lead = f"  {name}{' ' * (left_width - _cells(name))}  " if left_width else "  "
        lines += [(lead + first).rstrip(), *(" " * indent + line for line in rest)]
    return lines


def _wrap(text: str, width: int) -> list[str]:
    return textwrap.wrap(_plain(text), width)


def _plain(text: str) -> str:
    """Show control and direction-changing characters as escapes: a name must not steer the terminal."""
    unsafe = ("Cc", "Cf", "Cs", "Co", "Zl", "Zp")
    joiners = "\u200c\u200d"  # they only join letters and emoji
    return "".join(
        char.encode("unicode_escape").decode("ascii")
        if unicodedata.category(char) in unsafe and char not in joiners
        else char
        for char in text
    )


def _cells(text: str) -> int:
    """Columns that a text takes in a terminal."""
    wide = sum(unicodedata.east_asian_width(char) in "WF" for char in text)
    joined = sum(unicodedata.combining(char) > 0 for char in text)
    return len(text) + wide - joined


def _shorten(text: str, cells: int) -> str:
    if _cells(text) <= cells:
        return text
    while _cells(text) > cells - 1:
        text = text[:-1]
    return text + "…"


def _bold(text: str, *, emphasis: bool) -> str:
    return f"\x1b[1m{text}\x1b[0m" if emphasis else text


def _csv(rows: Iterable[list[Any]]) -> str:
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\n")
    for row in rows:
        writer.writerow([_cell(value) for value in row])
    return buffer.getvalue()


def _cell(value: Any) -> Any:
    return str(value).lower() if isinstance(value, bool) else csv_cell(value)
