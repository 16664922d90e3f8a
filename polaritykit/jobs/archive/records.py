"""What is kept of one session, and what is asked for.

Conventions: offsets are those of *other* against *reference*, positive when it hears the sound later.
"""

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True, kw_only=True, slots=True)
class FileStamp:
    """A file as it lay there: enough to know that it is still the same."""

    #: Relative to the root, with slashes.
    file: str
    size_bytes: int
    #: Nanoseconds since 1970.
    modified_ns: int
    #: Of the audio as decoded; None where it was not read to its end.
    audio_sha256: str | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class Request:
    """One session to check."""

    #: Relative to the root, with slashes; of a file where one file is the session.
    session: str
    files: tuple[FileStamp, ...]
    #: Absolute: what `check` is given, and where its report goes.
    source: str
    report: str
    #: Program and options that made the record; another one is made again.
    made_by: str
    #: Given to `check` as they stand.
    options: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class TrackRecord:
    """One track of a session."""

    #: Without what all tracks of the session have in common.
    name: str
    invert: bool
    #: Why: see `corrections.tracks[].flip_reason` of a check.
    flip_reason: str | None
    shift_ms: float
    status: str
    faults: tuple[str, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class PairRecord:
    """One related pair of a session."""

    reference: str
    other: str
    polarity: str
    confidence: float
    offset_ms: float | None
    offset_std_ms: float | None


@dataclass(frozen=True, kw_only=True, slots=True)
class SessionRecord:
    """What came of one session."""

    session: str
    made_by: str
    files: tuple[FileStamp, ...]
    status: Literal["checked", "failed"]
    #: Of a failure, as `check` said it.
    reason: str | None
    #: Its folder, relative to the archive; None where there is none.
    report: str | None
    headline: str
    duration_s: float
    flips: int
    delays: int
    unclear: int
    tracks: tuple[TrackRecord, ...]
    pairs: tuple[PairRecord, ...]
