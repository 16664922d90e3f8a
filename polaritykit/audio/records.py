"""A session as opened: its tracks, what was left out and why."""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

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
    #: From the file's first sample to the start of the session's common span.
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
    #: Sentences: common span, start times, resampling, files left out.
    notes: tuple[str, ...]
    #: The files were lined up at their first samples, whatever their headers say.
    start_times_ignored: bool = False

    @property
    def sample_rate_hz(self) -> int:
        """Rate of the session."""
        return self.recording.sample_rate_hz

    @property
    def n_samples(self) -> int:
        """Length of the common span."""
        return self.recording.n_samples
