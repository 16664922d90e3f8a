"""A session as opened: its tracks, what was left out and why."""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from polaritykit.audio.other_clock import Clock
from polaritykit.base.types import Recording


@dataclass(frozen=True, kw_only=True)
class SessionTrack:
    """One usable track of a session and where it lies."""

    name: str
    path: Path
    #: Of the file.
    size_bytes: int
    #: Channel of the file, from 0.
    channel: int
    #: Channels of the file.
    channels: int
    #: Rate of the file; the session's may be higher.
    file_rate_hz: int
    #: Samples per channel in the file.
    frames: int
    #: Samples since midnight at the file's rate, where the file says so.
    time_reference: int | None
    #: From the file's first sample to the start of the span looked at, by the file's clock; below 0 where it
    #: begins later.
    lead_s: float
    #: Container and sample format as libsndfile names them (``WAV``, ``PCM_24``).
    format: str
    subtype: str


@dataclass(frozen=True, kw_only=True)
class FileFingerprint:
    """What tells whether an audio file is still the one that was looked at."""

    size_bytes: int
    sample_rate_hz: int
    channels: int
    #: Samples per channel.
    frames: int
    #: Start in samples since midnight, where the file says so.
    start_samples: int | None
    #: From `file_recording.audio_hash`; None where nobody read the whole file.
    audio_sha256: str | None


@dataclass(frozen=True, kw_only=True)
class FaultyTrack:
    """A file that was asked for and cannot be used."""

    name: str
    path: Path
    #: ``unreadable`` or ``too_short``.
    fault: str
    #: One sentence for the reader.
    remark: str


@dataclass(frozen=True, kw_only=True)
class Recorder:
    """Files that share a clock, and where they lie on the time line of the reference's files.

    Attributes
    ----------
    files : tuple of Path
    state : str
        ``reference``; ``found`` by its sound; ``several_places`` (loops, a strict grid: none is better than
        the rest); ``nothing_shared`` at any lag; ``too_short`` to be sought; ``silent``.  All but the first
        two are left where their heads put them.
    start_s, start_std_s : float or None
        Place of the first sample, seconds after the reference's first sample.
    drift_ppm, drift_std_ppm : float or None
        Positive when this clock runs faster than the reference's.
    overlap_s : tuple of float or None
        First and last moment shared with the reference, on the same time line.
    header_start_s : float or None
        Place of the first sample by the files' heads, where both have a start time.
    places_s : tuple of float
        Places of the first sample that fit about alike, where there are several.
    searched_s : float
        Length of the shorter of the takes that were compared, all of it.
    """

    files: tuple[Path, ...]
    state: Literal["reference", "found", "several_places", "nothing_shared", "too_short", "silent"]
    start_s: float | None = None
    start_std_s: float | None = None
    drift_ppm: float | None = None
    drift_std_ppm: float | None = None
    overlap_s: tuple[float, float] | None = None
    header_start_s: float | None = None
    places_s: tuple[float, ...] = ()
    searched_s: float = 0.0

    @property
    def clock(self) -> Clock | None:
        """Where it lies, once found."""
        if self.start_s is None or self.drift_ppm is None:
            return None
        return Clock(start_s=self.start_s, drift_ppm=self.drift_ppm)


@dataclass(frozen=True, kw_only=True)
class Session:
    """A session as opened: its audio on one clock, its tracks, and what was done to the input."""

    name: str
    #: The folder that holds all files, resolved: it means the same from any working folder.
    folder: Path
    #: Path of each track, as in `tracks` and `faulty` -> where it lies below `folder`, with slashes.
    files: Mapping[Path, str]
    recording: Recording
    tracks: tuple[SessionTrack, ...]
    faulty: tuple[FaultyTrack, ...]
    #: Sentences: spans, start times, resampling, files left out.
    notes: tuple[str, ...]
    #: The files were lined up at their first samples, whatever their headers say.
    start_times_ignored: bool = False
    #: The reference first; empty where all files share a clock.
    recorders: tuple[Recorder, ...] = ()

    @property
    def sample_rate_hz(self) -> int:
        """Rate of the session."""
        return self.recording.sample_rate_hz

    @property
    def n_samples(self) -> int:
        """Length of the span that is looked at."""
        return self.recording.n_samples
