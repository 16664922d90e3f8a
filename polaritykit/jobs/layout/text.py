"""Documents of `comb` and `layout` → terminal text and CSV.

Conventions: reads documents only; digits are cut to the uncertainty.  Nothing here writes or prints.
"""

import csv
import io
from collections.abc import Iterable, Sequence
from typing import Any

from polaritykit.base.wording import stated

_Json = dict[str, Any]
#: Notches listed in the terminal; the rest is counted.
_LISTED = 8
_DASH = "–"


#: Below the figures of a comb.
COMB_FOOTNOTE = "± is one standard uncertainty; depth and height are against the louder of the two alone."


def comb_text(document: _Json) -> str:
    """Answer in words first, then figures, then what was assumed."""
    lines = [comb_headline(document), ""]
    lines += [f"{name:<17} {value}" for name, value in comb_rows(document)]
    lines += ["", *document["remarks"], COMB_FOOTNOTE]
    return "\n".join(lines) + "\n"


def comb_rows(document: _Json) -> list[tuple[str, str]]:
    """Give the figures of a comb with their names."""
    return [
        ("Delay", _delay(document)),
        ("Path difference", stated(100 * document["path_difference_m"],
                                   100 * document["path_difference_std_m"], "cm", decimals=1)),
        ("Polarity", document["polarity"]),
        ("Level difference", stated(document["level_difference_db"],
                                    document["level_difference_std_db"], "dB", decimals=1)),
        ("Notches", _frequencies(document["notches_hz"], document["notches_std_hz"], document["up_to_hz"])),
        ("Peaks", _frequencies(document["peaks_hz"], document["peaks_std_hz"], document["up_to_hz"])),
        ("Notch depth", notch_depth(document)),
        ("Peak height", stated(document["peak_height_db"], document["peak_height_std_db"], "dB", decimals=2)),
        ("Ripple", "complete" if document["ripple_db"] is None
         else stated(document["ripple_db"], document["ripple_std_db"], "dB", decimals=2)),
        ("Speed of sound", sound_words(document)),
    ]  # fmt: skip


def comb_headline(document: _Json) -> str:
    """Say what happens in one sentence."""
    first = document["first_notch_hz"]
    if first is None:
        return "There is no notch." if document["delay_ms"] <= 1e-9 else (
            f"There is no notch below {document['up_to_hz']:g} Hz."
        )  # fmt: skip
    note = document["first_notch_note"]
    near = f", near {note}" if note else ""
    zero = " above 0 Hz, which is cancelled too," if document["polarity"] == "inverted" else ""
    frequency = stated(first, document["first_notch_std_hz"], "Hz", decimals=1)
    return f"The first notch{zero} is at {frequency}{near}; its depth: {notch_depth(document)}."


def _delay(document: _Json) -> str:
    samples = stated(document["delay_samples"], document["delay_std_samples"], "samples", decimals=1)
    time = stated(document["delay_ms"], document["delay_std_ms"], "ms", decimals=3)
    return f"{time} ({samples} at {document['sample_rate'] / 1000:g} kHz)"


def notch_depth(comb: _Json) -> str:
    """Depth with its uncertainty, or "complete"; its least value where it may be complete."""
    if comb["notch_depth_least_db"] is None:
        return "complete"
    if comb["level_difference_db"] <= comb["level_difference_std_db"]:
        return f"over {comb['notch_depth_least_db']:.0f} dB"
    return stated(comb["notch_depth_db"], comb["notch_depth_std_db"], "dB", decimals=2)


def sound_words(document: _Json) -> str:
    """Speed of sound, its uncertainty and where it comes from."""
    speed = stated(document["speed_of_sound_mps"], document["speed_of_sound_std_mps"], "m/s", decimals=1)
    if document["temperature_c"] is None:
        return f"{speed} (given)"
    return (
        f"{speed} ({document['temperature_c']:g} °C, {document['humidity_percent']:g} % humidity, "
        f"{document['speed_of_sound_formula']})"
    )


def _frequencies(values: Sequence[float], stds: Sequence[float], up_to_hz: float) -> str:
    if not values:
        return f"none up to {up_to_hz:g} Hz"
    shown = ", ".join(
        stated(value, std or None, decimals=0 if value == 0 else 1)
        for value, std in list(zip(values, stds, strict=True))[:_LISTED]
    )
    more = f" Hz and {len(values) - _LISTED} more up to {up_to_hz:g} Hz" if len(values) > _LISTED else " Hz"
    return shown + more


def comb_csv(document: _Json) -> str:
    """One row per notch and peak, by frequency."""
    rows = [
        (frequency, std, kind)
        for kind in ("notch", "peak")
        for frequency, std in zip(
            document["notches_hz" if kind == "notch" else "peaks_hz"],
            document["notches_std_hz" if kind == "notch" else "peaks_std_hz"],
            strict=True,
        )
    ]
    level = {
        "notch": None if document["notch_depth_db"] is None else -document["notch_depth_db"],
        "peak": document["peak_height_db"],
    }
    return table_csv(
        ("kind", "frequency_hz", "frequency_std_hz", "level_db"),
        [(kind, frequency, std, level[kind]) for frequency, std, kind in sorted(rows)],
    )


#: Columns of the pair table, as texts.
PAIR_HEADINGS = ("Source", "Pair", "Offset", "Level", "Polarity", "First notch", "Depth", "3:1")


def pair_rows(document: _Json) -> list[tuple[str, ...]]:
    """One row of texts per source and pair, those of interest first."""
    ordered = sorted(document["pairs"], key=lambda pair: not pair["of_interest"])
    return [_pair_row(pair) for pair in ordered]


def _pair_row(pair: _Json) -> tuple[str, ...]:
    comb = pair["comb"]
    notch = depth = _DASH
    if comb is not None:
        depth = notch_depth(comb)
        if comb["first_notch_hz"] is not None:
            notch = stated(comb["first_notch_hz"], comb["first_notch_std_hz"], "Hz", decimals=0)
    level = pair["level_difference_db"]
    three = pair["three_to_one"]
    return (
        pair["source"],
        f"{pair['a']} / {pair['b']}",
        stated(pair["offset_ms"], pair["offset_std_ms"], "ms", decimals=3, signed=True),
        _DASH if level is None
        else stated(level, pair["level_difference_std_db"], "dB", decimals=1, signed=True),
        pair["polarity"],
        notch,
        depth,
        "linked" if three is None else f"{three['ratio']:.1f}:1" + ("" if three["kept"] else " (closer)"),
    )  # fmt: skip


ARRIVAL_HEADINGS = ("Source", "Mic", "Distance", "Time", "Level", "Off axis", "Polarity")


def arrival_rows(document: _Json) -> list[tuple[str, ...]]:
    """One row of texts per source and mic."""
    speed = document["speed_of_sound_mps"]
    rows: list[tuple[str, ...]] = []
    for item in document["arrivals"]:
        level = item["level_db"]
        angle = item["angle_deg"]
        rows.append(
            (
                item["source"],
                item["mic"],
                stated(item["distance_m"], item["distance_std_m"], "m", decimals=2),
                stated(item["time_ms"], 1000 * item["distance_std_m"] / speed, "ms", decimals=2),
                "null" if level is None
                else stated(level, item["level_std_db"], "dB", decimals=1, signed=True),
                _DASH if angle is None else f"{angle:.0f}°",
                item["polarity"] + (" (rear lobe)" if item["rear_lobe"] else ""),
            )
        )  # fmt: skip
    return rows


BOUNCE_HEADINGS = ("Source", "Mic", "Surface", "Later by", "Level", "First notch", "Depth")


def bounce_rows(document: _Json) -> list[tuple[str, ...]]:
    """One row of texts per first reflection."""
    rows: list[tuple[str, ...]] = []
    for item in document["arrivals"]:
        for bounce in item["bounces"]:
            comb = bounce["comb"]
            first = comb["first_notch_hz"]
            rows.append(
                (
                    item["source"],
                    item["mic"],
                    bounce["surface"],
                    stated(bounce["offset_ms"], comb["delay_std_ms"], "ms", decimals=2),
                    stated(bounce["level_difference_db"], comb["level_difference_std_db"], "dB",
                           decimals=1, signed=True),
                    _DASH if first is None else stated(first, comb["first_notch_std_hz"], "Hz", decimals=0),
                    notch_depth(comb),
                )
            )  # fmt: skip
    return rows


AGAINST_HEADINGS = (
    "Source",
    "Pair",
    "Planned",
    "Measured",
    "Difference",
    "Polarity",
    "Level off by",
    "Verdict",
)


def against_rows(document: _Json) -> list[tuple[str, ...]]:
    """One row of texts per compared source and pair, those that disagree first."""
    rows: list[tuple[str, ...]] = []
    for pair in sorted(document["against"]["pairs"], key=lambda pair: not pair["disagrees"]):
        std, measured, level = pair["offset_std_ms"], pair["measured_offset_ms"], pair["level_error_db"]
        polarity = pair["measured_polarity"] or "not measured"
        if "polarity" in pair["disagrees"]:
            polarity += f", planned {pair['planned_polarity']}"
        rows.append(
            (
                pair["source"],
                f"{pair['a']} / {pair['b']}",
                stated(pair["planned_offset_ms"], std, "ms", signed=True),
                _DASH if measured is None else stated(measured, std, "ms", signed=True),
                _DASH if measured is None else stated(pair["offset_error_ms"], std, "ms", signed=True),
                polarity,
                _DASH if level is None else stated(level, pair["level_std_db"], "dB", signed=True),
                ", ".join(pair["disagrees"]) + " disagrees" if pair["disagrees"]
                else "agrees" if measured is not None else "not measured",
            )
        )  # fmt: skip
    return rows


def against_sentences(document: _Json) -> list[str]:
    """Say what disagrees and its likely reasons, tracks first; a reason that many pairs share only once."""
    against = document["against"]
    sentences = [f"{lag['mic']}: {lag['why']}" for lag in against["tracks"] if lag["verdict"] != "agrees"]
    places: dict[str, list[str]] = {}
    for pair in against["pairs"]:
        for reason in pair["reasons"]:
            places.setdefault(reason, []).append(f"{pair['a']} / {pair['b']}, {pair['source']}")
    for reason, where in places.items():
        sentences.append(f"{where[0]}: {reason}" if len(where) == 1 else f"{reason} ({len(where)} pairs)")
    if against["missing"]:
        sentences.append(f"Not in the report: {', '.join(against['missing'])}.")
    return sentences or ["The session agrees with the plan within the uncertainty of both."]


def plan_size(document: _Json) -> str:
    """How many mics and sources, in words."""
    counts = ((len(document["mics"]), "mic"), (len(document["sources"]), "source"))
    return ", ".join(f"{count} {word}{'' if count == 1 else 's'}" for count, word in counts)


def layout_text(document: _Json) -> str:
    """Terminal text: the comparison first where there is one, then pairs, bounces and remarks."""
    lines = [f"{document['title']}: {plan_size(document)}"]
    if document["against"] is not None:
        lines += ["", f"Against {document['against']['session']}", *against_sentences(document)]
        lines += ["", *table_text(AGAINST_HEADINGS, against_rows(document))]
    lines += ["", "Arrivals", *table_text(ARRIVAL_HEADINGS, arrival_rows(document))]
    interest = sum(pair["of_interest"] for pair in document["pairs"])
    if document["pairs"]:
        lines += ["", "Pairs (positive: the second mic hears it later, louder)"]
        lines += table_text(PAIR_HEADINGS, pair_rows(document)[:interest])
    if interest < len(document["pairs"]):
        rest = len(document["pairs"]) - interest
        lines.append(f"  {rest} pairs of mics that both belong to other sources: see --csv, --json or --out.")
    bounces = bounce_rows(document)
    if bounces:
        lines += ["", "First reflections against the direct sound", *table_text(BOUNCE_HEADINGS, bounces)]
    if document["tapes"]:
        rows = [
            (f"{tape['a']} - {tape['b']}", f"{tape['length_m']:.3f} m", f"{100 * tape['residual_m']:+.1f} cm")
            for tape in document["tapes"]
        ]
        lines += ["", "Tape measures", *table_text(("Between", "Measured", "Residual"), rows)]
    lines += [
        "",
        *document["remarks"],
        f"Speed of sound {sound_words(document)}; ± is one standard uncertainty.",
    ]
    return "\n".join(lines) + "\n"


def layout_csv(document: _Json) -> str:
    """One row per source and pair, with the document's own numbers."""
    columns = ("source", "a", "b", "offset_ms", "offset_std_ms", "offset_samples", "level_difference_db",
               "level_difference_std_db", "polarity", "polarity_reason")  # fmt: skip
    comb_columns = ("first_notch_hz", "first_notch_std_hz", "notch_depth_db", "peak_height_db", "ripple_db")
    rows = []
    for pair in document["pairs"]:
        comb, three = pair["comb"] or {}, pair["three_to_one"] or {}
        rows.append(
            [pair[column] for column in columns]
            + [comb.get(column) for column in comb_columns]
            + [" ".join(f"{notch:.1f}" for notch in comb.get("notches_hz", ())), three.get("ratio")]
        )
    return table_csv((*columns, *comb_columns, "notches_hz", "three_to_one_ratio"), rows)


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
