"""The readings of a line check as a page.

Conventions: reads the document of ``pulse read`` only.
"""

from polaritykit.base.types import Json
from polaritykit.base.wording import listed, number, percent, plural
from polaritykit.jobs.pulse.signal import CAUTIONS
from polaritykit.pages.view import JobView, Section, Table


def pulse_view(document: Json) -> JobView:
    """Make the view of the readings."""
    channels = document["channels"]
    rows = tuple(
        (
            channel["name"],
            channel["polarity"],
            number(channel["latency_ms"], 2),
            number(channel["later_ms"], 2, signed=True),
            percent(channel["confidence"]) if channel["confidence"] else "–",
            channel["reason"] or "",
        )
        for channel in channels
    )
    return JobView(
        job="Line check",
        name=f"{plural(len(channels), 'channel')} read",
        facts=f"{document['kind']} signal · {document['sample_rate'] / 1000:g} kHz",
        headline=_headline(channels),
        sentences=(
            document["meaning"],
            *document["notes"],
            *(f"{entry['file']} was left out: {entry['fault']}." for entry in document["left_out"]),
        ),
        sections=(
            Section(
                title="Channels",
                table=Table(
                    caption="Absolute polarity and latency",
                    columns=(
                        "Channel",
                        "Polarity",
                        "Latency, ms",
                        "After the first, ms",
                        "Confidence",
                        "Remark",
                    ),
                    rows=rows,
                    numeric=(2, 3, 4),
                ),
            ),
        ),
        cautions=CAUTIONS,
    )


def _headline(channels: list[Json]) -> str:
    wrong = [channel["name"] for channel in channels if channel["polarity"] == "negative"]
    open_ones = [channel["name"] for channel in channels if channel["polarity"] == "cannot tell"]
    parts = []
    if wrong:
        parts.append(f"Inverted: {listed(wrong)}.")
    if open_ones:
        parts.append(f"Cannot be told: {listed(open_ones)}.")
    if not parts:
        return (
            f"All {len(channels)} channels are positive." if len(channels) > 1 else "The channel is positive."
        )
    return " ".join(parts)
