"""The document of `layout` (`layout.json`)."""

from dataclasses import dataclass
from typing import Literal

from polaritykit.base.types import Polarity
from polaritykit.base.validate import Program
from polaritykit.jobs.comb.schema import CombFields, SoundFields
from polaritykit.jobs.layout.records import ComparedPair, TapeFit, ThreeToOne, TrackLag, Vector


@dataclass(frozen=True, kw_only=True)
class PlacedSource:
    """A source and its place."""

    name: str
    position_m: Vector


@dataclass(frozen=True, kw_only=True)
class Mic:
    """A mic with its switches."""

    name: str
    position_m: Vector
    pattern: str
    aim: Vector | None
    polarity: Literal["same", "inverted"]
    other_side_of: tuple[str, ...]
    pad_db: float
    gain_db: float
    source_impedance_ohm: float | None
    input_impedance_ohm: float
    track: str


@dataclass(frozen=True, kw_only=True)
class Surface:
    """A plane that reflects."""

    name: str
    point_m: Vector
    normal: Vector
    reflection: float


@dataclass(frozen=True, kw_only=True)
class Bounce:
    """What a surface adds to an arrival."""

    surface: str
    offset_ms: float
    level_difference_db: float
    comb: CombFields


@dataclass(frozen=True, kw_only=True)
class Arrival:
    """One source in one mic."""

    source: str
    mic: str
    distance_m: float
    distance_std_m: float
    time_ms: float
    level_db: float | None
    level_std_db: float | None
    angle_deg: float | None
    polarity: Polarity
    rear_lobe: bool
    bounces: tuple[Bounce, ...]


@dataclass(frozen=True, kw_only=True)
class Pair:
    """One source in two mics."""

    source: str
    a: str
    b: str
    offset_ms: float
    offset_std_ms: float
    offset_samples: float
    level_difference_db: float | None
    level_difference_std_db: float | None
    polarity: Polarity
    polarity_reason: str | None
    comb: CombFields | None
    three_to_one: ThreeToOne | None
    linked: bool
    of_interest: bool


@dataclass(frozen=True, kw_only=True)
class PlannedOffset:
    """Offset that one source has by the plan."""

    source: str
    offset_ms: float
    offset_std_ms: float


@dataclass(frozen=True, kw_only=True)
class PossibleOffsets:
    """What the distance of two mics allows."""

    a: str
    b: str
    low_ms: float
    high_ms: float
    planned: tuple[PlannedOffset, ...]


@dataclass(frozen=True, kw_only=True)
class Against:
    """A session held against the plan."""

    session: str
    sample_rate: float
    pairs: tuple[ComparedPair, ...]
    tracks: tuple[TrackLag, ...]
    missing: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class LayoutDocument(SoundFields):
    """Document of `layout`."""

    schema_version: int
    program: Program
    command: Literal["layout"]
    title: str
    sample_rate: float
    tape_std_m: float
    sources: tuple[PlacedSource, ...]
    mics: tuple[Mic, ...]
    surfaces: tuple[Surface, ...]
    tapes: tuple[TapeFit, ...]
    arrivals: tuple[Arrival, ...]
    pairs: tuple[Pair, ...]
    possible_offsets: tuple[PossibleOffsets, ...]
    remarks: tuple[str, ...]
    against: Against | None
