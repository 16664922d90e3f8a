"""Numbers of the evidence stage that a caller may change."""

from dataclasses import dataclass, field

from polaritykit.changes.settings import ChangeSettings
from polaritykit.levels.settings import LevelSettings
from polaritykit.struck.settings import (
    ArrivalSettings,
    DirectSettings,
    EventSettings,
    SignSettings,
    StrokeSettings,
)
from polaritykit.sustained.settings import ContinuousSettings


@dataclass(frozen=True, kw_only=True)
class LimitSettings:
    """How a mic plan limits what is believed."""

    #: Offsets may be this much larger than the way through the air: converters of different make differ by
    #: the delay of their filters, some 10 to 40 samples at 48 kHz (common practice).
    latency_ms: float = 1.0


@dataclass(frozen=True, kw_only=True)
class EvidenceSettings(SignSettings):
    """How the sign of a pair is read at its arrivals, and when a vote counts."""

    direct: DirectSettings = field(default_factory=DirectSettings)
    #: Log-odds of an edge: ``slope`` times (``weights`` · readings - ``middle``).  Fitted once by logistic
    #: regression on hits of a real kit and rounded; the answer hardly depends on them (slope 3 to 4, middle
    #: 1.3 to 2.2 decide the same pairs), since a margin counts agreement of edges, not their exact worth.
    slope: float = 4.0
    middle: float = 1.67
    weight_correlation: float = 2.4
    weight_votes: float = 1.0
    weight_coherence: float = 0.5
    weight_stability: float = 0.3
    #: Taken off where fewer than eight hits speak.
    few_hits: int = 8
    few_hits_penalty: float = 0.6
    #: One edge has no more than this to say; below the log-odds of a witness, so that one edge is never all.
    edge_cap: float = 2.4
    #: A source this far below the loudest one of a track (dB) says all it knows of that track ...
    share_full_db: float = -22.0
    #: ... and one this far below nothing: the louder sources' sound covers its first motion.
    share_none_db: float = -38.0
    #: The lowest drum of several sources, where its low band (60 to 250 Hz) dominates by this much, has only
    #: this part of its say: not enough to decide a pair alone.  Sources this near to it count as low too
    #: (the figure of one drum scatters by some dB from cluster to cluster).
    low_drum_db: float = 6.0
    low_drum_worth: float = 0.6
    as_low_db: float = 6.0
    #: Below this the first motion lies under the noise and a later one is picked: nothing to say ...
    snr_none_db: float = 2.0
    #: ... from here on in full.
    snr_full_db: float = 6.0
    #: Both readings must have the same sign, the second by at least this.
    min_votes: float = 0.1
    #: Averaged votes this small are what chance gives with some forty hits.
    min_coherence: float = 0.15
    #: Arrivals count as known with this stability.
    min_stability: float = 0.5


@dataclass(frozen=True, kw_only=True)
class MeasuringSettings:
    """All that the stages up to the evidence take: one branch for each."""

    levels: LevelSettings = field(default_factory=LevelSettings)
    events: EventSettings = field(default_factory=EventSettings)
    arrival: ArrivalSettings = field(default_factory=ArrivalSettings)
    strokes: StrokeSettings = field(default_factory=StrokeSettings)
    evidence: EvidenceSettings = field(default_factory=EvidenceSettings)
    continuous: ContinuousSettings = field(default_factory=ContinuousSettings)
    limits: LimitSettings = field(default_factory=LimitSettings)
    changes: ChangeSettings = field(default_factory=ChangeSettings)
    #: Frame of the pooled spectra, samples at up to 48 kHz (twice that at twice the rate).
    fft_size: int = 8192
