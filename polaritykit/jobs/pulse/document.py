"""The readings of a line check as a JSON-safe document.

Conventions: as `report.json`; see DEVELOPERS.md.
"""

from collections.abc import Sequence

from polaritykit import __version__
from polaritykit.base.types import Json
from polaritykit.jobs.pulse.signal import PulseReading, SignalKind

SCHEMA_VERSION = 1
_MEANING = (
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
    tracks: Sequence[Json],
    left_out: Sequence[Json],
) -> Json:
    """Make the document of `polaritykit pulse read`.

    Parameters
    ----------
    readings : sequence of PulseReading
        One a channel.
    kind : {"pulse", "two-tone"}
        Signal that was played.
    sample_rate_hz : int
    notes : sequence of str
        What was done to the input.
    tracks : sequence of dict
        File and channel of each reading, in the same order.
    left_out : sequence of dict
        File and fault of each file that could not be read.
    """
    channels = [
        {
            "name": reading.name,
            **track,
            "polarity": reading.polarity,
            "latency_ms": reading.latency_ms,
            "found_at_s": reading.found_at_s,
            "confidence": reading.confidence,
            "reason": reading.reason,
        }
        for track, reading in zip(tracks, readings, strict=True)
    ]
    return {
        "schema_version": SCHEMA_VERSION,
        "program": {"name": "polaritykit", "version": __version__},
        "command": "pulse read",
        "kind": kind,
        "sample_rate": sample_rate_hz,
        "notes": list(notes),
        "channels": channels,
        "left_out": list(left_out),
        "meaning": _MEANING,
    }
