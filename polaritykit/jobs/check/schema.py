"""The document of a check (`report.json`).

Conventions: parts that are told as they were found are the findings' own records; what is stored otherwise,
or with its words beside its codes, has a record here.  Fields that version 0.1.0 did not write have a
default.
"""

from dataclasses import dataclass
from typing import Any, Literal

from polaritykit.base.validate import Program
from polaritykit.changes.motion import Change as FoundChange
from polaritykit.decide.findings import Advice as FoundAdvice
from polaritykit.decide.findings import Corrections as FoundCorrections
from polaritykit.decide.findings import Outvoted as FoundOutvoted
from polaritykit.decide.findings import PadStep, PairAnswer, ServedSource, SourceFinding, SumPeak, Voice
from polaritykit.decide.findings import TrackCorrection as FoundCorrection
from polaritykit.jobs.check.excerpts import PairSounds
from polaritykit.levels.meter import TrackLevels
from polaritykit.spectra.correlation import LinearGrid
from polaritykit.spectra.seen_notches import SourceNotches
from polaritykit.spectra.session_sum import KitSum


@dataclass(frozen=True, kw_only=True)
class Session:
    """What was checked."""

    name: str
    #: None where arrays were checked.
    folder: str | None
    folder_base64: str | None = None
    start_times_ignored: bool
    duration_s: float
    n_samples: int
    #: Part of it that all files share, of which sums and level differences are; None where that is all.
    common_s: tuple[float, float] | None = None
    #: How much of it was listened to; None for all.
    listened_s: float | None = None
    purpose: Literal["kit", "pair", "general"]


@dataclass(frozen=True, kw_only=True)
class Counts:
    """How many pairs and settings there are."""

    pairs: int
    related: int
    decided: int
    inverted: int
    flips: int
    delays: int


@dataclass(frozen=True, kw_only=True)
class Summary:
    """The verdict in words."""

    headline: str
    sentences: tuple[str, ...]
    counts: Counts


@dataclass(frozen=True, kw_only=True)
class File:
    """What a file was when it was checked."""

    file: str
    file_base64: str | None = None
    size_bytes: int
    sample_rate: int
    channels: int
    frames: int
    start_samples: int | None
    audio_sha256: str | None


@dataclass(frozen=True, kw_only=True)
class Recorder:
    """Tracks that share a clock, and where they lie against those of the reference."""

    tracks: tuple[str, ...]
    files: tuple[str, ...]
    #: ``found`` tracks were compared lined up; others, but the reference, as their heads place them.
    state: Literal["reference", "found", "several_places", "nothing_shared", "too_short", "silent"]
    #: First sample after the reference's first sample, by the reference's clock; and in its samples.
    start_s: float | None
    start_std_s: float | None
    start_time: str | None
    start_samples: float | None
    #: Positive: this clock runs faster.
    drift_ppm: float | None
    drift_std_ppm: float | None
    #: Shared with the reference, on its time line.
    overlap_s: tuple[float, float] | None
    #: Starts that fit about alike.
    places_s: tuple[float, ...]
    #: Start by the files' heads.
    header_start_s: float | None
    searched_s: float
    #: What to trim, how the clock runs, whether the heads agree.
    says: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class Track(TrackLevels):
    """One track."""

    name: str
    file: str | None
    file_base64: str | None = None
    channel: int
    linked_with: str | None
    remarks: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class Source(SourceFinding):
    """One source."""

    id: str


@dataclass(frozen=True, kw_only=True)
class Gains:
    """Change of the sum in the main source's band against as recorded."""

    flipped: float
    aligned: float
    aligned_flipped: float


@dataclass(frozen=True, kw_only=True)
class Change(FoundChange):
    """A moment at which the relation of two tracks changes."""

    what: str


@dataclass(frozen=True, kw_only=True)
class Advice(FoundAdvice):
    """What the session's setting does to one pair."""

    why: str
    #: What the pair by itself would rather have, and why the session differs.
    note: str | None = None


@dataclass(frozen=True, kw_only=True)
class Pair(PairAnswer):
    """One pair of tracks."""

    offset_samples: float | None
    #: The cause and all else there is to say, in words.
    reason: str | None
    gain_db: Gains | None
    changes: tuple[Change, ...]
    advice: Advice
    #: Part of the offset by which the recorders of the two did not start together, in the middle of
    #: what all files share; all else is told of the two lined up.
    recorders_ms: float = 0.0


@dataclass(frozen=True, kw_only=True)
class TrackCorrection(FoundCorrection):
    """One setting of one track."""

    why: str
    #: The same, reason by reason, the most important first.
    clauses: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Outvoted(FoundOutvoted):
    """A pair whose own sources speak against the session's setting."""

    why: str


@dataclass(frozen=True, kw_only=True)
class Corrections(FoundCorrections):
    """One consistent set of settings for the session."""

    tracks: tuple[TrackCorrection, ...]
    outvoted: tuple[Outvoted, ...]


@dataclass(frozen=True, kw_only=True)
class Bands:
    """Log-spaced points of a curve as runs of stored groups."""

    centre_hz: tuple[float, ...]
    first: tuple[int, ...]
    last: tuple[int, ...]


@dataclass(frozen=True, kw_only=True)
class CurvePair:
    """Curves of one pair (`curves`)."""

    reference: str
    other: str
    aligned_ms: float
    #: Base64 of float32, re and im in turn; and of int16, 1 is 32767.
    cross: str
    correlation: str
    #: Of each source of the pair, in its order.
    notches: tuple[SourceNotches, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Curves:
    """Spectra of the pairs worth looking at."""

    frequency_hz: tuple[float, ...]
    lag_ms: LinearGrid
    bands: Bands
    floor_db: float
    #: Track -> base64 of its float32 auto-spectrum.
    tracks: dict[str, str]
    pairs: tuple[CurvePair, ...]


@dataclass(frozen=True, kw_only=True)
class StoredSound:
    """One moment of one track; `samples` is base64 of int16."""

    track: str
    start_s: float
    gain: float
    samples: str


@dataclass(frozen=True, kw_only=True)
class SessionAudio:
    """All tracks for a few seconds, where the settings change their sum most."""

    sample_rate: int
    start_s: float
    #: What brings the sum with the flips, and with all settings, to the loudness of the recorded one.
    flips_gain_db: float
    all_gain_db: float
    sounds: tuple[StoredSound, ...]


@dataclass(frozen=True, kw_only=True)
class Audio:
    """Excerpts of pairs: to see (`waves`), and with ``--audio`` to hear."""

    sample_rate: int
    sounds: tuple[StoredSound, ...]
    pairs: tuple[PairSounds, ...]
    session: SessionAudio | None = None


@dataclass(frozen=True, kw_only=True)
class Report:
    """``report.json`` of a check."""

    schema_version: int
    program: Program
    command: Literal["check"]
    #: ISO 8601.
    created: str
    session: Session
    sample_rate: int
    notes: tuple[str, ...]
    summary: Summary
    files: tuple[File, ...] = ()
    #: The reference first; empty where all files share a clock.
    recorders: tuple[Recorder, ...] = ()
    #: First moment of the span looked at after the reference's first sample, where there are recorders.
    span_start_s: float | None = None
    tracks: tuple[Track, ...]
    sources: tuple[Source, ...]
    pairs: tuple[Pair, ...]
    corrections: Corrections
    kit_sum: KitSum
    served: tuple[ServedSource, ...]
    #: Tracks that should hear alike and do not.
    pads: tuple[PadStep, ...] = ()
    #: Close voices that tell their tracks' own polarity.
    voices: tuple[Voice, ...] = ()
    sum_peak: SumPeak | None
    levels_advice: tuple[str, ...]
    curves: Curves | None
    #: One hit of the pairs worth looking at, a few hundredths of a second.
    waves: Audio | None = None
    audio: Audio | None = None
    #: As used; the names are those of `analysis.Settings`.
    settings: dict[str, Any]
