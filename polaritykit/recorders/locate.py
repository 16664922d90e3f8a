"""Where each group of files lies on the time line of the largest one.

Conventions: times in seconds after the reference's first sample, by the reference's clock; as in
`audio.records.Recorder`.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import hypot
from pathlib import Path

from polaritykit.audio.file_recording import FileRecording
from polaritykit.audio.header import FileHeader
from polaritykit.audio.other_clock import Clock
from polaritykit.audio.records import Recorder
from polaritykit.audio.session import recording_of
from polaritykit.audio.timeline import start_s
from polaritykit.base.types import Progress
from polaritykit.recorders.takes import best_pair, hearing_most, whole_take
from polaritykit.sustained.coarse import CoarseMatch, FoundPlace, coarse_match
from polaritykit.sustained.whitened import LOW_RATE_HZ, Real

#: A place this near to that of the heads is the same one: sound takes that long to a far mic, and later
#: stages look further than that.
_SAME_PLACE_S = 0.020
#: A drift that moves the ends of a take by less against each other is none.
_NO_TRAVEL_S = 0.0001
_DRIFT_SIGMAS = 4.0
#: Tracks of a group that it is sought by, one after the other.
_SOUGHT_BY = 2


#: Answers of a search, the most telling last.
_TELLING = ("too_short", "silent", "nothing_shared", "several_places", "found")


@dataclass(frozen=True, kw_only=True)
class Located:
    """A recorder, and whether it lies where its files' heads put it, at no drift."""

    recorder: Recorder
    as_placed: bool = False


@dataclass(frozen=True, kw_only=True)
class _Group:
    """What is compared of a group."""

    recording: FileRecording
    #: Of the tracks to seek by, best first.
    takes: tuple[Real, ...]


def locate(
    headers: Sequence[FileHeader],
    groups: Sequence[Sequence[int]],
    *,
    ignore_start_times: bool,
    progress: Progress,
) -> tuple[Located, ...]:
    """Find where each group lies.

    Parameters
    ----------
    headers : sequence of FileHeader
    groups : sequence of sequences of int
        As `clock_groups` gives them; the first is the reference.
    ignore_start_times : bool
        Do not look where the heads say first.
    progress : callable
        Called with the stage and the share of it done.

    Returns
    -------
    tuple of Located
        One per group, the reference first.
    """
    found: list[Located] = []
    compared: list[tuple[Located, _Group]] = []
    for number, places in enumerate(groups):
        own = [headers[place] for place in places]
        recording = recording_of(own)
        tracks = hearing_most(recording)[:_SOUGHT_BY]
        group = _Group(recording=recording, takes=tuple(whole_take(recording, track) for track in tracks))
        files = tuple(header.path for header in own)
        if not compared:
            located = Located(recorder=Recorder(files=files, state="reference", start_s=0.0, drift_ppm=0.0))
        else:
            heads = None if ignore_start_times else _between(headers[groups[0][0]], own[0])
            located = _against_any(compared, group, files, heads)
        recording.close()
        found.append(located)
        if located.recorder.clock is not None:
            compared.append((located, group))
        progress("lining up recorders", (number + 1) / len(groups))
    return tuple(found)


def _between(reference: FileHeader, other: FileHeader) -> float | None:
    """Place of the other by the heads."""
    starts = start_s(reference), start_s(other)
    return None if starts[0] is None or starts[1] is None else float(starts[1] - starts[0])


def _against_any(
    compared: Sequence[tuple[Located, _Group]],
    group: _Group,
    files: tuple[Path, ...],
    heads_s: float | None,
) -> Located:
    """Compare with the reference, and with what was found to lie with it where that tells nothing."""
    first: Located | None = None
    for known, other in compared:
        clock = known.recorder.clock or Clock(start_s=0.0)
        match, placed = _compared(other, group, clock.own_s(heads_s or 0.0))
        recorder = Recorder(
            files=files,
            state=match.reason,
            header_start_s=heads_s,
            searched_s=_shorter_s(other, group),
            places_s=tuple(sorted(clock.session_s(-offset_s) for offset_s in match.places_s))
            if match.reason == "several_places"
            else (),
        )
        if match.place is not None:
            return Located(recorder=_on_reference(recorder, match.place, known.recorder), as_placed=placed)
        first = first or Located(recorder=recorder)
    return first or Located(recorder=Recorder(files=files, state="too_short"))


def _compared(reference: _Group, group: _Group, expected_s: float) -> tuple[CoarseMatch, bool]:
    """Look where the heads say, then everywhere; tell whether the heads are right."""
    match, near = _sought(reference, group, expected_s)
    if match.place is None:
        return match, False
    match = _of_two_tracks(reference, group, match)
    place = match.place
    if place is None:
        return match, False
    clock = clock_of(place)
    travel_s = abs(clock.drift_ppm) * 1e-6 * _shorter_s(reference, group)
    still = travel_s < _NO_TRAVEL_S or abs(clock.drift_ppm) < _DRIFT_SIGMAS * place.drift_std_ppm
    return match, near and still and abs(clock.start_s - expected_s) < _SAME_PLACE_S


def _shorter_s(a: _Group, b: _Group) -> float:
    """Length of the shorter take."""
    return min(len(a.takes[0]), len(b.takes[0])) / LOW_RATE_HZ


def _sought(reference: _Group, group: _Group, expected_s: float) -> tuple[CoarseMatch, bool]:
    """Look where the heads say, then everywhere, by one track after the other; and whether it was there."""
    tried: list[CoarseMatch] = []
    pairs = list(
        dict.fromkeys((min(k, len(reference.takes) - 1), min(k, len(group.takes) - 1)) for k in range(2))
    )
    for a, b in pairs:
        match = coarse_match(reference.takes[a], group.takes[b], near_s=-expected_s)
        if match.place is not None:
            return match, True
    for a, b in pairs:
        tried.append(coarse_match(reference.takes[a], group.takes[b]))
        if tried[-1].place is not None:
            break
    return max(tried, key=lambda match: _TELLING.index(match.reason)), False


def _of_two_tracks(reference: _Group, group: _Group, match: CoarseMatch) -> CoarseMatch:
    """Time the two tracks that fit best alone, where there are more."""
    place = match.place
    if place is None or len(reference.recording.track_names) == len(group.recording.track_names) == 1:
        return match
    a, b = best_pair(reference.recording, group.recording, place)
    takes = whole_take(reference.recording, a), whole_take(group.recording, b)
    alone = coarse_match(*takes, near_s=place.offset_at_s(sum(place.shared_s) / 2))
    return alone if alone.place is not None else match


def clock_of(place: FoundPlace) -> Clock:
    """Clock of the second take on the time line of the first."""
    # The second one's own time is t + offset(t), and its first sample lies where that is 0.
    at_zero_s = place.offset_at_s(0.0)
    return Clock(start_s=-at_zero_s / (1.0 + 1e-6 * place.drift_ppm), drift_ppm=place.drift_ppm)


def _on_reference(recorder: Recorder, place: FoundPlace, known: Recorder) -> Recorder:
    """Put a place against a known recorder on the reference's time line."""
    clock, own = known.clock or Clock(start_s=0.0), clock_of(place)
    # The line is best known in its middle.
    start_std_s = hypot(place.offset_std_s, 1e-6 * place.drift_std_ppm * (place.middle_s - own.start_s))
    begin, end = place.shared_s
    return replace(
        recorder,
        start_s=clock.session_s(own.start_s),
        start_std_s=hypot(start_std_s, known.start_std_s or 0.0),
        drift_ppm=1e6 * (clock.pace * own.pace - 1.0),
        drift_std_ppm=hypot(place.drift_std_ppm, known.drift_std_ppm or 0.0),
        overlap_s=(clock.session_s(begin), clock.session_s(end)),
    )
