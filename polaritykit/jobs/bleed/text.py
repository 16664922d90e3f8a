"""Document of a leak to terminal text.

Conventions: reads the document only.
"""

from collections.abc import Iterator
from typing import Any


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
