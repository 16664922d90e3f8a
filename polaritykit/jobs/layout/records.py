"""Records of a mic plan: what was drawn up, what it predicts, and how a measured session compares.

Conventions
-----------
Positions in metres: x to the right, y to the front, z up.  Directions are unit vectors.
``offset_ms`` and ``level_difference_db`` are those of b against a: positive when b hears the sound later,
and louder.  Uncertainties are one sigma.
"""

from dataclasses import dataclass

import numpy as np

from polaritykit.base.air import SoundSpeed
from polaritykit.base.types import Floats, Polarity
from polaritykit.spectra.comb import CombPrediction

Vector = tuple[float, float, float]


def to_vector(values: object) -> Vector:
    """Three plain numbers of anything that holds three."""
    x, y, z = (float(v) for v in np.asarray(values, dtype=np.float64))
    return (x, y, z)


@dataclass(frozen=True, kw_only=True)
class PlanPoint:
    """A named point before its position is settled."""

    name: str
    #: Position as given, or None when tape measures must find it.
    position_m: Vector | None = None
    #: Height alone, where that is all that is known.
    height_m: float | None = None
    #: Where to start looking; chooses between mirror images.
    roughly_m: Vector | None = None


@dataclass(frozen=True, kw_only=True)
class Tape:
    """One distance measured by tape between two named points."""

    a: str
    b: str
    length_m: float


@dataclass(frozen=True, kw_only=True)
class TapeFit:
    """A tape measure beside the distance of the solved positions."""

    a: str
    b: str
    length_m: float
    #: Measured minus fitted.
    residual_m: float
    #: It disagrees with the others, and most of all tapes.
    suspect: bool


@dataclass(frozen=True, kw_only=True)
class SolvedPoints:
    """Positions of all points, given ones as they were."""

    names: tuple[str, ...]
    #: shape (n, 3)
    positions_m: Floats
    #: shape (3n, 3n), coordinates of a point in a row
    covariance_m2: Floats
    tapes: tuple[TapeFit, ...]
    remarks: tuple[str, ...]
    #: The tapes leave the set-up free to turn or move as a whole (distances are certain all the same) ...
    free_to_move: bool
    #: ... and in height.
    free_in_height: bool


@dataclass(frozen=True, kw_only=True)
class PlanSource:
    """A sound source as a point."""

    name: str
    position_m: Vector
    #: Radius within which no mic can stand.
    radius_m: float
    #: Name of its home track in a session; None looks for the source's own name, then for the nearest mic.
    track: str | None


@dataclass(frozen=True, kw_only=True)
class PlanMic:
    """A microphone with its switches and its input."""

    name: str
    position_m: Vector
    pattern: str
    #: Direction of its front; None for an omni.
    aim: Vector | None
    #: Pad at the mic or the input, dB of loss, and gain known to differ from the others.
    pad_db: float
    gain_db: float
    inverted: bool
    #: Sources it faces from their other side (under a drum, behind an open cabinet): they push away from it
    #: while they push towards the others, which inverts them.
    other_side_of: tuple[str, ...]
    source_impedance_ohm: float | None
    input_impedance_ohm: float
    #: Name of its track in a session, where it differs.
    track: str


@dataclass(frozen=True, kw_only=True)
class Surface:
    """A plane that reflects: floor or nearest wall."""

    name: str
    point_m: Vector
    #: Towards the room.
    normal: Vector
    #: Amplitude of the reflection, 0-1.
    reflection: float


@dataclass(frozen=True, kw_only=True)
class Plan:
    """A validated mic plan."""

    title: str
    sound: SoundSpeed
    sources: tuple[PlanSource, ...]
    mics: tuple[PlanMic, ...]
    surfaces: tuple[Surface, ...]
    #: Pairs that form a stereo image.
    linked: tuple[tuple[str, str], ...]
    tape_std_m: float
    points: SolvedPoints
    remarks: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class Bounce:
    """The first reflection of a source from one surface, at one mic, against the direct sound."""

    surface: str
    offset_ms: float
    level_difference_db: float
    comb: CombPrediction


@dataclass(frozen=True, kw_only=True)
class PlannedArrival:
    """What one mic hears of one source."""

    source: str
    mic: str
    distance_m: float
    distance_std_m: float
    time_ms: float
    #: Against an omni without losses 1 m away; None where the pattern has its null.
    level_db: float | None
    level_std_db: float | None
    #: Angle between the mic's front and the source; None for an omni.
    angle_deg: float | None
    #: Polarity of what it delivers: rear lobe and polarity switch together.
    polarity: Polarity
    rear_lobe: bool
    bounces: tuple[Bounce, ...]


@dataclass(frozen=True, kw_only=True)
class ThreeToOne:
    """The 3:1 check of a pair for one source (common practice)."""

    #: Mic to mic over nearer mic to source.
    ratio: float
    kept: bool


@dataclass(frozen=True, kw_only=True)
class PlannedPair:
    """What two mics make of one source when summed."""

    source: str
    a: str
    b: str
    offset_ms: float
    offset_std_ms: float
    level_difference_db: float | None
    level_difference_std_db: float | None
    polarity: Polarity
    #: Why the polarity is inverted or unclear, or None.
    polarity_reason: str | None
    #: None where one mic's null leaves nothing to sum.
    comb: CombPrediction | None
    #: None for a linked pair, which is a stereo image.
    three_to_one: ThreeToOne | None
    #: One of the two is the source's nearest mic, or they are linked: their sum matters.
    of_interest: bool


@dataclass(frozen=True, kw_only=True)
class OffsetRange:
    """Offsets of b against a that are physically possible."""

    a: str
    b: str
    #: Names of their tracks in a session.
    track_a: str
    track_b: str
    #: For any sound anywhere: no more than the mics are apart.
    low_ms: float
    high_ms: float
    #: Planned sources: (name, offset, standard uncertainty), ms.
    planned_ms: tuple[tuple[str, float, float], ...]


@dataclass(frozen=True, kw_only=True)
class Layout:
    """A plan and all it predicts."""

    plan: Plan
    arrivals: tuple[PlannedArrival, ...]
    pairs: tuple[PlannedPair, ...]
    ranges: tuple[OffsetRange, ...]
    remarks: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class ComparedPair:
    """A planned pair beside the measured one, for one source."""

    source: str
    a: str
    b: str
    planned_offset_ms: float
    measured_offset_ms: float | None
    #: Measured minus planned, and the combined standard uncertainty of the two.
    offset_error_ms: float | None
    offset_std_ms: float
    planned_polarity: Polarity
    measured_polarity: Polarity | None
    planned_level_db: float | None
    measured_level_db: float | None
    level_error_db: float | None
    level_std_db: float | None
    #: Notches planned, and those of them that the measured sum shows; None where the report has no spectra.
    planned_notches_hz: tuple[float, ...]
    seen_notches_hz: tuple[float, ...] | None
    #: What disagrees: any of ``offset``, ``polarity``, ``level``, ``notches``.
    disagrees: tuple[str, ...]
    #: Likely reasons, as sentences.
    reasons: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class TrackLag:
    """How much later one track is than planned, over all sources."""

    mic: str
    lag_ms: float
    lag_samples: float
    #: Largest departure of a single source from that.
    spread_ms: float
    n_sources: int
    #: ``latency``, ``moved`` or ``agrees``.
    verdict: str
    why: str


@dataclass(frozen=True, kw_only=True)
class Comparison:
    """A measured session held against a plan."""

    session: str
    sample_rate_hz: float
    pairs: tuple[ComparedPair, ...]
    lags: tuple[TrackLag, ...]
    #: Planned mics and sources that the report does not know.
    missing: tuple[str, ...]
