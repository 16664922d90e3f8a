"""Recorders that did not start together, as the report tells them.

Conventions: as in `schema.Recorder`.
"""

from polaritykit.audio.records import Recorder, Session
from polaritykit.base.file_names import stored
from polaritykit.base.types import Json
from polaritykit.recorders.words import clock_time, file_rates, sentences


def recorder_entries(session: Session) -> list[Json]:
    """Fields of ``recorders``."""
    rates_hz = file_rates(session)
    return [_entry(one, session, rates_hz) for one in session.recorders]


def _entry(one: Recorder, session: Session, rates_hz: dict[str, int]) -> Json:
    reference = session.recorders[0]
    rate_hz = next((t.file_rate_hz for t in session.tracks if t.path in reference.files), 0)
    start_s = one.start_s
    side = "" if start_s is None or start_s >= 0.0 else "-"
    return {
        "tracks": [track.name for track in session.tracks if track.path in one.files],
        "files": [stored(session.files[path])["file"] for path in one.files],
        "state": one.state,
        "start_s": start_s,
        "start_std_s": one.start_std_s,
        "start_time": None if start_s is None else side + clock_time(start_s),
        "start_samples": None if start_s is None else start_s * rate_hz,
        "drift_ppm": one.drift_ppm,
        "drift_std_ppm": one.drift_std_ppm,
        "overlap_s": one.overlap_s,
        "places_s": one.places_s,
        "header_start_s": one.header_start_s,
        "searched_s": one.searched_s,
        "says": sentences(one, reference, rates_hz),
    }
