"""The bleed job's findings as a document and as text.

Conventions: every level and isolation is in the plain sum ``main + leaky`` unless it says ``in_main_mic`` or
``in_leaky_mic``; ``null`` where an octave cannot tell the sources apart or holds only noise.  Text is made
from the document alone.
"""

from collections.abc import Iterator
from typing import Any

from polaritykit.jobs.bleed.findings import BleedFindings, BleedOption
from polaritykit.pages.head import rounded


def bleed_document(found: BleedFindings) -> dict[str, Any]:
    """Give the ``bleed`` part of the document."""
    options = _options(found)
    return {
        "main": found.main,
        "leaky": found.leaky,
        "goal": found.goal,
        "recommended_invert": found.recommended_invert,
        # Delay of the leaky mic; negative delays the main mic instead.
        "recommended_delay_ms": rounded(found.recommended_delay_ms, 3),
        "reason": found.reason,
        "passages": {
            "main_alone_s": [
                [rounded(start, 2), rounded(end, 2)] for start, end in found.passages.main_alone_s
            ],
            "leaky_alone_s": [
                [rounded(start, 2), rounded(end, 2)] for start, end in found.passages.leaky_alone_s
            ],
        },
        "leak_ms": {
            "main_source_in_leaky_mic": rounded(found.main_leak_ms, 2),
            "leaky_source_in_main_mic": rounded(found.leaky_leak_ms, 2),
        },
        "overall": None
        if not options
        else {
            "weighting": "A",
            "isolation_db": {name: rounded(one.overall_isolation_db, 1) for name, one in options.items()},
            "isolation_std_db": {
                name: rounded(one.overall_isolation_std_db, 1) for name, one in options.items()
            },
            "gain_db": _changes(options, "overall_gain_db"),
            "gain_std_db": _changes(options, "overall_gain_std_db"),
            "level_db": {
                "main": {name: rounded(one.overall_main_level_db, 1) for name, one in options.items()},
                "leaky": {name: rounded(one.overall_leaky_level_db, 1) for name, one in options.items()},
            },
        },
        "bands": [_band(found, options, index) for index in range(len(found.reliable))],
        "remarks": list(found.remarks),
    }


def _options(found: BleedFindings) -> dict[str, BleedOption]:
    named = {"as_recorded": found.as_recorded, "flipped": found.flipped, "delayed": found.delayed}
    return {name: option for name, option in named.items() if option is not None}


def _changes(options: dict[str, BleedOption], field: str) -> dict[str, Any]:
    return {name: rounded(getattr(one, field), 1) for name, one in options.items() if name != "as_recorded"}


def _band(found: BleedFindings, options: dict[str, BleedOption], index: int) -> dict[str, Any]:
    """One octave; only the main mic's own level is known where the sources cannot be told apart."""
    reliable = found.reliable[index]

    def per_option(field: str, *, without: str = "") -> dict[str, float | None]:
        return {
            name: rounded(getattr(one, field)[index], 1) if reliable else None
            for name, one in options.items()
            if name != without
        }

    return {
        "centre_hz": found.centre_hz[index],
        "reliable": reliable,
        "useful": found.useful[index],
        "isolation_db": per_option("isolation_db"),
        "isolation_std_db": per_option("isolation_std_db"),
        "gain_db": per_option("gain_db", without="as_recorded"),
        "gain_std_db": per_option("gain_std_db", without="as_recorded"),
        "level_db": {"main": per_option("main_level_db"), "leaky": per_option("leaky_level_db")},
        "main_level_in_main_mic_db": rounded(found.main_alone_level_db[index], 1) if reliable else None,
        "isolation_in_main_mic_db": rounded(found.isolation_in_main_db[index], 1) if reliable else None,
        "isolation_in_leaky_mic_db": rounded(found.isolation_in_leaky_db[index], 1) if reliable else None,
    }


def bleed_text(document: dict[str, Any]) -> str:
    """Text for the terminal: what to do, then what was measured."""
    bleed = document["bleed"]
    return "\n".join([*answer(bleed), *_measured(bleed), *document["notes"]])


def answer(bleed: dict[str, Any]) -> Iterator[str]:
    """Say what to do, then why, then the remarks; the terminal's indents and dashes stand before them."""
    leaky, delay_ms = bleed["leaky"], bleed["recommended_delay_ms"]
    yield {
        True: f"Flip {leaky} (ø).",
        False: f"Leave the polarity of {leaky} as it is.",
        None: f"Polarity decides nothing here: leave {leaky} as it is.",
    }[bleed["recommended_invert"]]
    if delay_ms:
        late = leaky if delay_ms > 0 else bleed["main"]
        yield f"Delay {late} by {abs(delay_ms):.2f} ms, if its attack allows."
    yield f"  Why: {bleed['reason']}."
    yield from (f"- {remark}" for remark in bleed["remarks"])


def _measured(bleed: dict[str, Any]) -> Iterator[str]:
    overall = bleed["overall"]
    if overall is None:
        return
    names = list(overall["isolation_db"])
    yield ""
    yield f"Isolation of {bleed['main']}'s own source over {bleed['leaky']}'s, in the sum of both mics, dB"
    yield "octave Hz  " + "  ".join(f"{name.replace('_', ' '):>12}" for name in names) + "  ± (flip)"
    rows = [(f"{band['centre_hz']:g}", band) for band in bleed["bands"]]
    for label, row in [*rows, ("A-weighted", overall)]:
        cells = "  ".join(_cell(row["isolation_db"][name]) for name in names)
        spread = row["gain_std_db"]["flipped"]
        yield f"{label:>9}  {cells}  {'' if spread is None else f'{spread:.1f}':>8}"
    if not all(band["reliable"] for band in bleed["bands"]):
        yield "A dash marks octaves in which the two sources cannot be told apart, or that hold only noise."


def _cell(value: float | None) -> str:
    return f"{'-':>12}" if value is None else f"{value:>+12.1f}"
