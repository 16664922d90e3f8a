"""What an analysis finds, as frozen records: the one thing outputs are made from.

Conventions as in `polaritykit.evidence.source`: offsets positive when *other* hears the sound later than
*reference*; "not known" is None with a reason beside it.
"""

from dataclasses import dataclass
from typing import Literal

from polaritykit.base.types import Polarity
from polaritykit.changes.motion import Change, Holds, Motion
from polaritykit.decide.setting import FlipReason, ShiftReason, Status, Weight, Where
from polaritykit.evidence.plan_limits import BeyondPlan
from polaritykit.evidence.settings import Settings
from polaritykit.evidence.source import Kind
from polaritykit.levels.meter import TrackLevels
from polaritykit.spectra.pool import Spectra
from polaritykit.spectra.records import BandGains
from polaritykit.spectra.session_sum import KitSum

Relation = Literal["acoustic", "crosstalk", "hum", "copy"]


#: What a delay rests on: the first arrival, the fullest sum near it, the fullest sum of the mic's own octave
#: (no arrival known); or why there is none.
Rule = Literal["arrival", "fullest", "own octave", "no gain", "harm"]


#: What an offset of struck sound rests on: first arrivals, or, where none is clear, the correlation of the
#: direct sound over all hits.
OffsetKind = Literal["first_arrival", "direct_correlation"]
Action = Literal["leave", "flip", "delay", "flip_and_delay", "listen", "move"]


#: Why a pair has no polarity, no offset or nothing in common.
#:
#: Apart: ``crosstalk`` and ``hum`` are all they share; ``nothing_to_compare`` neither sustained sound nor
#: enough hits; ``beyond_search`` it lies at the edge of the search; ``unsteady`` no source reaches both at a
#: steady time; ``no_shared_sound`` none above the noise; ``triggered`` the strokes
#: of one (`home`) fall together with those of the other and share no waveform, as a triggered sample's do;
#: ``printed_sum`` one (`home`) is the sum of other tracks, as a bus is.
#:
#: Related, without an offset: ``scattered`` the first arrivals scatter from hit to hit; ``covered`` only a
#: fainter source (`home`) is timed.
#:
#: Related, without a sign: ``own_source_objects`` a mic's own source contradicts what only leaks say;
#: ``sources_disagree`` one (`home`) is heard with the same polarity, one (`against`) inverted; ``narrow`` in
#: band; ``mixed`` signs over the spectrum; ``edge`` of the search; ``faint`` the opposite fits nearly as
#: well; ``few_hits``; ``unlike`` first arrivals.
CauseCode = Literal[
    "crosstalk",
    "hum",
    "nothing_to_compare",
    "beyond_search",
    "unsteady",
    "no_shared_sound",
    "triggered",
    "printed_sum",
    "scattered",
    "covered",
    "own_source_objects",
    "sources_disagree",
    "narrow",
    "mixed",
    "edge",
    "faint",
    "few_hits",
    "unlike",
]


#: Why a pair is advised what it is.
#:
#: Nothing set: ``apart`` nothing is shared, ``no_offset``, ``no_sign`` (the pair's cause says why);
#: ``two_offsets`` the two `homes` arrive with different ones; ``image`` a stereo pair keeps its timing;
#: ``agrees``; ``little`` a delay gains too little; ``flip_fills`` a flip would fill the band by
#: `would_gain_db`, though nothing is wired backwards; ``inverted_little`` inverted, but the sum changes by
#: `would_gain_db` only.
#:
#: Set: ``image_inverted`` one side of a stereo pair; ``inverted``; ``inverted_late``; ``late``;
#: ``late_or_flip`` either fills the band; ``session`` as the whole session is.
AdviceReason = Literal[
    "apart",
    "no_offset",
    "no_sign",
    "two_offsets",
    "image",
    "agrees",
    "little",
    "flip_fills",
    "inverted_little",
    "image_inverted",
    "inverted",
    "inverted_late",
    "late",
    "late_or_flip",
    "session",
]


@dataclass(frozen=True, kw_only=True)
class PairCause:
    """Why a pair's answer is missing."""

    code: CauseCode
    #: Sources it speaks of.
    home: str | None = None
    against: str | None = None
    #: For ``triggered``: how much fuller the sum of the two is as it is than with one flipped.
    fuller_db: float | None = None


@dataclass(frozen=True, kw_only=True)
class PairCopy:
    """Two tracks that are one recording again."""

    #: Track that is the other one again, and that other one.
    copy: str
    original: str
    #: ≥ 0.
    late_samples: float
    filtered: bool
    inverted: bool


@dataclass(frozen=True, kw_only=True)
class Rather:
    """What a pair by itself would rather have than the session's setting."""

    invert: bool
    #: Shift of *other* against *reference*, positive later.
    shift_ms: float
    gain_db: float


@dataclass(frozen=True, kw_only=True)
class PairSource:
    """What one source says of one pair."""

    home: str
    kind: Kind
    hits: int
    offset_ms: float | None
    offset_std_ms: float | None
    #: None without an offset, and for sustained sound.
    offset_kind: OffsetKind | None = None
    polarity: Polarity
    confidence: float
    #: The smaller of the source's shares in the two tracks, dB below the loudest source of that track.
    level_db: float
    #: Level of this source in the other track over that in the reference.
    level_difference_db: float
    #: The source has another sign than the session's decision for this pair.
    dissents: bool
    band_hz: tuple[float, float] | None
    sum_effect_db: float | None
    sum_effect_aligned_db: float | None


@dataclass(frozen=True, kw_only=True)
class Advice:
    """What the session's setting does to one pair."""

    action: Action
    invert: bool
    #: ≥ 0.
    delay_ms: float
    #: Change of the sum in the main source's band.
    gain_db: float
    #: None where an earlier version gave none.
    reason: AdviceReason | None = None
    #: Sources the reason speaks of.
    homes: tuple[str, ...] = ()
    #: What a flip, or flip and delay, would have changed.
    would_gain_db: float | None = None
    #: Shift of *other* against *reference*, signed: positive later.
    shift_ms: float = 0.0
    #: None where the session's setting serves the pair as well as its own would.
    rather: Rather | None = None


@dataclass(frozen=True, kw_only=True)
class PairAnswer:
    """One pair of tracks, all but what its sum would gain."""

    reference: str
    other: str
    related: bool
    relation: Relation | None
    offset_ms: float | None
    offset_std_ms: float | None
    #: None without an offset, and for sustained sound.
    offset_kind: OffsetKind | None = None
    polarity: Polarity
    confidence: float
    grade: Literal["strong", "single-source"] | None
    method: Kind | None
    #: Why there is no polarity or no offset.
    cause: PairCause | None = None
    #: None where they are no copies, or copies by their levels alone.
    copy: PairCopy | None = None
    sources: tuple[PairSource, ...]
    level_difference_db: float | None
    notches_hz: tuple[float, ...]
    #: By the level difference of the main source.
    notch_depth_db: float | None
    drift_ppm: float | None
    changes: tuple[Change, ...]
    #: Part of the take that the answer belongs to, for each track that changed.
    holds: tuple[Holds, ...] = ()
    advice: Advice


@dataclass(frozen=True, kw_only=True)
class PairFinding(PairAnswer):
    """One pair of tracks."""

    gains: BandGains | None


@dataclass(frozen=True, kw_only=True)
class SourceArrival:
    """When and how loud one track hears a source, against its home track."""

    track: str
    offset_ms: float | None
    offset_std_ms: float | None
    level_db: float


@dataclass(frozen=True, kw_only=True)
class SourceFinding:
    """One source and how all tracks hear it."""

    name: str
    home: str
    kind: Kind
    hits: int
    #: Times of the hits or frames used, seconds.
    times_s: tuple[float, ...]
    arrivals: tuple[SourceArrival, ...]


@dataclass(frozen=True, kw_only=True)
class OctaveLoss:
    """An octave of a source that a setting costs something."""

    home: str
    octave_hz: float
    #: Change of its level in the sum; where little is lost, or nothing, the spread reaches an audible loss.
    db: float
    #: Standard deviation of that; older reports have none.
    std_db: float | None = None
    #: The sum: ``all`` tracks, the source's own mics with the ``anchor``, its ``own`` mics alone.
    where: Where = "all"


@dataclass(frozen=True, kw_only=True)
class TrackCorrection:
    """One setting of one track."""

    name: str
    invert: bool
    #: For a desk: ≥ 0, the shift and what is common to all tracks.
    delay_ms: float
    delay_samples: float
    #: How late the track is once it is believed: minus its shift; None where nothing of its timing is judged.
    late_ms: float | None
    #: None for tracks that were never to be delayed.
    rule: Rule | None = None
    #: For a workstation: later (positive) or earlier (negative); 0 for what keeps its place.
    shift_ms: float = 0.0
    status: Status = "not judged"
    #: Why its shift is what it is, and why it is flipped.
    reason: ShiftReason = "alone"
    flip_reason: FlipReason | None = None
    #: How many tracks it is inverted against; the source or original its flip speaks of; whether the others
    #: of its group would have served as well.
    flip_against: int = 0
    flip_about: str | None = None
    flip_tie: bool = False
    #: ``optional``: a small gain that may as well be left, by `optional_shift_ms`; None where nothing is set.
    weight: Weight | None = None
    optional_shift_ms: float | None = None
    #: How late it hears its own source as recorded, against the anchor; None where not known.
    own_late_ms: float | None = None
    #: Change of its own source's level by the shift, in its own mics with the anchor.
    gain_db: float | None = None
    #: Track that the reason speaks of.
    about: str | None = None
    #: How late a copy or a bus is.
    late_samples: float | None = None
    #: Tracks that a bus is the sum of.
    sum_of: tuple[str, ...] = ()
    #: With an open sign: the best shift as it is, and flipped.
    either_ms: tuple[float, float] | None = None
    #: What its shift would cost, where it is left for that.
    loss: OctaveLoss | None = None
    #: What all settings cost, mostly by this track's.
    losses: tuple[OctaveLoss, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Outvoted:
    """A pair whose own sources speak against the session's setting."""

    reference: str
    other: str
    homes: tuple[str, ...] = ()
    #: How these are heard.
    polarity: Polarity = "unclear"


@dataclass(frozen=True, kw_only=True)
class Loop:
    """Sum of the offsets round three tracks, which is zero for one source and one clock."""

    tracks: tuple[str, str, str]
    residual_ms: float


@dataclass(frozen=True, kw_only=True)
class Corrections:
    """One consistent set of settings for the session."""

    anchor: str | None
    tracks: tuple[TrackCorrection, ...]
    groups: tuple[tuple[str, ...], ...]
    outvoted: tuple[Outvoted, ...]
    loops: tuple[Loop, ...]
    #: Tracks whose own sound was not told apart, and is known by strokes that are theirs alone: for what sums
    #: lose of it.
    by_own_strokes: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Apart:
    """A track that hears a source well, but not together with the anchor once all is set."""

    track: str
    #: Positive: still later than the anchor.
    residual_ms: float


@dataclass(frozen=True, kw_only=True)
class ServedSource:
    """Where the delays bring a source together with the anchor, and where not."""

    home: str
    together: tuple[str, ...]
    apart: tuple[Apart, ...]


@dataclass(frozen=True, kw_only=True)
class PadStep:
    """Two tracks that should hear alike and differ by about a pad."""

    louder: str
    quieter: str
    step_db: float
    pad_db: int


@dataclass(frozen=True, kw_only=True)
class Voice:
    """A close voice and the polarity it gives its track: ``upright`` or ``upside_down``."""

    track: str
    polarity: Literal["upright", "upside_down"]
    confidence: float
    #: Skewness of the residual less that of the voice without its resonances.
    figure: float
    figure_std: float


@dataclass(frozen=True, kw_only=True)
class SumPeak:
    """Highest true peak of the sum of all corrected tracks at unity gain."""

    dbtp: float
    #: The tracks' own peaks added up, as if they fell together: the sum is lower.
    is_bound: bool


@dataclass(frozen=True, kw_only=True)
class Findings:
    """All that one analysis found."""

    track_names: tuple[str, ...]
    sample_rate_hz: int
    n_samples: int
    purpose: Literal["kit", "pair", "general"]
    levels: tuple[TrackLevels, ...]
    linked: tuple[tuple[str, str], ...]
    sources: tuple[SourceFinding, ...]
    pairs: tuple[PairFinding, ...]
    corrections: Corrections
    spectra: Spectra
    #: What tracks did during the take.
    motions: tuple[Motion, ...]
    #: Tracks whose measured offsets a plan forbids.
    beyond_plan: tuple[BeyondPlan, ...]
    kit_sum: KitSum
    served: tuple[ServedSource, ...]
    #: None in silence.
    sum_peak: SumPeak | None
    #: As used.
    settings: Settings
    #: Seconds that were listened to, spread over the take; None for all of it.
    listened_s: float | None = None
    #: Close voices that tell their tracks' polarity.
    voices: tuple[Voice, ...] = ()
    pads: tuple[PadStep, ...] = ()
