"""Document of a mic plan to terminal text and CSV.

Conventions: reads documents only; digits are cut to the uncertainty.  Nothing here writes or prints.
"""

from polaritykit.base.types import Json
from polaritykit.base.wording import measured, plural
from polaritykit.jobs.comb.text import notch_depth, sound_words
from polaritykit.pages.text import table_csv, table_text

_DASH = "–"


#: Columns of the pair table, as texts.
PAIR_HEADINGS = ("Source", "Pair", "Offset", "Level", "Polarity", "First notch", "Depth", "3:1")


def pair_rows(document: Json) -> list[tuple[str, ...]]:
    """One row of texts per source and pair, those of interest first."""
    ordered = sorted(document["pairs"], key=lambda pair: not pair["of_interest"])
    return [_pair_row(pair) for pair in ordered]


def _pair_row(pair: Json) -> tuple[str, ...]:
    comb = pair["comb"]
    notch = depth = _DASH
    if comb is not None:
        depth = notch_depth(comb)
        if comb["first_notch_hz"] is not None:
            notch = measured(comb["first_notch_hz"], comb["first_notch_std_hz"], "Hz", decimals=0)
    level = pair["level_difference_db"]
    three = pair["three_to_one"]
    return (
        pair["source"],
        f"{pair['a']} / {pair['b']}",
        measured(pair["offset_ms"], pair["offset_std_ms"], "ms", decimals=3, signed=True),
        _DASH if level is None
        else measured(level, pair["level_difference_std_db"], "dB", decimals=1, signed=True),
        pair["polarity"],
        notch,
        depth,
        "linked" if three is None else f"{three['ratio']:.1f}:1" + ("" if three["kept"] else " (closer)"),
    )  # fmt: skip


ARRIVAL_HEADINGS = ("Source", "Mic", "Distance", "Time", "Level", "Off axis", "Polarity")


def arrival_rows(document: Json) -> list[tuple[str, ...]]:
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
                measured(item["distance_m"], item["distance_std_m"], "m", decimals=2),
                measured(item["time_ms"], 1000 * item["distance_std_m"] / speed, "ms", decimals=2),
                "null" if level is None
                else measured(level, item["level_std_db"], "dB", decimals=1, signed=True),
                _DASH if angle is None else f"{angle:.0f}°",
                item["polarity"] + (" (rear lobe)" if item["rear_lobe"] else ""),
            )
        )  # fmt: skip
    return rows


BOUNCE_HEADINGS = ("Source", "Mic", "Surface", "Later by", "Level", "First notch", "Depth")


def bounce_rows(document: Json) -> list[tuple[str, ...]]:
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
                    measured(bounce["offset_ms"], comb["delay_std_ms"], "ms", decimals=2),
                    measured(bounce["level_difference_db"], comb["level_difference_std_db"], "dB",
                           decimals=1, signed=True),
                    _DASH if first is None else measured(first, comb["first_notch_std_hz"], "Hz", decimals=0),
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


def against_rows(document: Json) -> list[tuple[str, ...]]:
    """One row of texts per compared source and pair, those that disagree first."""
    rows: list[tuple[str, ...]] = []
    for pair in sorted(document["against"]["pairs"], key=lambda pair: not pair["disagrees"]):
        std, found, level = pair["offset_std_ms"], pair["measured_offset_ms"], pair["level_error_db"]
        polarity = pair["measured_polarity"] or "not measured"
        if "polarity" in pair["disagrees"]:
            polarity += f", planned {pair['planned_polarity']}"
        rows.append(
            (
                pair["source"],
                f"{pair['a']} / {pair['b']}",
                measured(pair["planned_offset_ms"], std, "ms", signed=True),
                _DASH if found is None else measured(found, std, "ms", signed=True),
                _DASH if found is None else measured(pair["offset_error_ms"], std, "ms", signed=True),
                polarity,
                _DASH if level is None else measured(level, pair["level_std_db"], "dB", signed=True),
                ", ".join(pair["disagrees"]) + " disagrees" if pair["disagrees"]
                else "agrees" if found is not None else "not measured",
            )
        )  # fmt: skip
    return rows


def against_sentences(document: Json) -> list[str]:
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


def plan_size(document: Json) -> str:
    """How many mics and sources, in words."""
    counts = ((len(document["mics"]), "mic"), (len(document["sources"]), "source"))
    return ", ".join(plural(count, word) for count, word in counts)


def plan_headline(document: Json) -> str:
    """Say what to change in the plan first."""
    closer = [
        pair
        for pair in document["pairs"]
        if pair["of_interest"] and pair["three_to_one"] is not None and not pair["three_to_one"]["kept"]
    ]
    if not closer:
        return "Nothing to change: every leak keeps 3:1 (common practice)."
    worst = min(closer, key=lambda pair: pair["three_to_one"]["ratio"])
    more = f", and {plural(len(closer) - 1, 'other pair')}" if len(closer) > 1 else ""
    return (
        f"Move {worst['a']} and {worst['b']} further apart or nearer to {worst['source']}{more}: "
        f"{worst['three_to_one']['ratio']:.1f}:1 is closer than 3:1 (common practice)."
    )


def layout_text(document: Json) -> str:
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


def layout_csv(document: Json) -> str:
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
