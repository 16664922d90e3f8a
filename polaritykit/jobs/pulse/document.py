"""The readings of `pulse read` as a document.

Conventions: as `schema` says.
"""

from collections.abc import Sequence
from typing import Any

from polaritykit.base.file_names import stored
from polaritykit.base.types import Json
from polaritykit.base.validate import written
from polaritykit.jobs.pulse.read import after_the_first_ms
from polaritykit.jobs.pulse.schema import PulseDocument
from polaritykit.jobs.pulse.signal import PulseReading, SignalKind
from polaritykit.pages.head import Placed, head

MEANING = (
    "Positive: a positive sample played gives a positive sample recorded. With a loudspeaker that pushes "
    "outwards for it, positive pressure gives a positive sample (the convention of AES26). Two inversions in "
    "one chain read as none: check the loudspeaker with a microphone that is known to be right."
)


def pulse_document(
    readings: Sequence[PulseReading],
    *,
    kind: SignalKind,
    sample_rate_hz: int,
    notes: Sequence[str],
    tracks: Sequence[Placed],
    left_out: Sequence[dict[str, Any]],
) -> Json:
    """Make the document.

    Parameters
    ----------
    readings : sequence of PulseReading
        One per track.
    kind : {"pulse", "two-tone"}
    sample_rate_hz : int
    notes : sequence of str
        What was done to the input.
    tracks : sequence
        As opened.
    left_out : sequence of dict
        File and fault of what could not be used.
    """
    channels = [
        {
            "name": reading.name,
            **stored(track.path.name),
            "channel": track.channel,
            "polarity": reading.polarity,
            "latency_ms": reading.latency_ms,
            "found_at_s": reading.found_at_s,
            "later_ms": later_ms,
            "confidence": reading.confidence,
            "reason": reading.reason,
        }
        for track, reading, later_ms in zip(tracks, readings, after_the_first_ms(readings), strict=True)
    ]
    document = {
        **head("pulse read"),
        "kind": kind,
        "sample_rate": sample_rate_hz,
        "notes": notes,
        "channels": channels,
        "left_out": left_out,
        "meaning": MEANING,
    }
    return written(document, PulseDocument)
