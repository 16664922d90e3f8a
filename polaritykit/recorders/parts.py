"""What recorders that did not start together add to the offsets and drifts of pairs.

Conventions: offsets are told of the files as they stand: placed by their start times where both have one,
first samples together otherwise; in ms, positive when the other hears the sound later.
"""

from polaritykit.audio.records import Session
from polaritykit.base.spans import common_span, spans_of


def span_start_s(session: Session) -> float | None:
    """First moment of the span looked at on the reference's time line."""
    if not session.recorders:
        return None
    return next((t.lead_s for t in session.tracks if t.path in session.recorders[0].files), None)


class RecorderParts:
    """What recorders add to the offsets and drifts of pairs."""

    def __init__(self, session: Session | None) -> None:
        self._late_ms: dict[str, float] = {}
        self._drift_ppm: dict[str, float] = {}
        self._sought: dict[str, int] = {}
        start_s = span_start_s(session) if session else None
        if session is None or start_s is None:
            return
        middle_s = start_s + 0.5 * sum(common_span(spans_of(session.recording))) / session.sample_rate_hz
        for number, one in enumerate(session.recorders):
            clock = one.clock
            for track in session.tracks:
                if track.path not in one.files:
                    continue
                self._sought[track.name] = number
                if clock is not None:
                    placed_s = middle_s - (one.header_start_s or 0.0)
                    self._late_ms[track.name] = (clock.own_s(middle_s) - placed_s) * 1e3
                    self._drift_ppm[track.name] = clock.drift_ppm

    def offset_ms(self, reference: str, other: str) -> float:
        """Part of a pair's offset, in the middle of what all files share."""
        return self._late_ms.get(other, 0.0) - self._late_ms.get(reference, 0.0)

    def drift_ppm(self, reference: str, other: str) -> float:
        """Part of its drift."""
        return self._drift_ppm.get(other, 0.0) - self._drift_ppm.get(reference, 0.0)

    def searched(self, reference: str, other: str, search_ms: float) -> str:
        """Say how far apart two tracks were compared that share no sound.

        Parameters
        ----------
        reference, other : str
        search_ms : float
            Largest offset looked for on one clock.
        """
        sought = self._sought.get(reference, 0), self._sought.get(other, 0)
        if sought[0] != sought[1] and 0 in sought:
            return "at any lag of the whole takes"
        return f"within ±{search_ms:g} ms"
