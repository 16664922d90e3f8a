"""The document of `pair`."""

from dataclasses import dataclass
from typing import Literal

from polaritykit.base.types import Polarity
from polaritykit.jobs.pair.findings import (
    CorrelationHistory,
    KindReason,
    OffsetMethod,
    PairKind,
    Remark,
    WiringBasis,
)
from polaritykit.pages.head import JobDocument


@dataclass(frozen=True, kw_only=True)
class WorstMoment:
    """Where the mono sum loses most."""

    time_s: float
    mono_sum_loss_db: float | None


@dataclass(frozen=True, kw_only=True)
class LowCut:
    """A low-cut on one side."""

    track: str
    corner_hz: float | None


@dataclass(frozen=True, kw_only=True)
class Octave:
    """One octave; the second track against the first."""

    centre_hz: float
    level_dbfs: float
    level_difference_db: float
    coherence: float
    phase_deg: float
    correlation: float
    aligned_correlation: float
    mono_sum_loss_db: float
    mono_sum_loss_flipped_db: float


@dataclass(frozen=True, kw_only=True)
class Setting:
    """Shift of one of two mics on one source, as `check` sets it; negative is earlier."""

    track: str
    shift_ms: float
    #: Change of the sum in the main source's band, the flip included.
    gain_db: float


@dataclass(frozen=True, kw_only=True)
class Said:
    """The answer in words."""

    headline: str
    why: str
    kind: str
    setting: str | None
    remarks: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class Pair:
    """What was found."""

    reference: str
    other: str
    #: What the two are taken for, and why.
    kind: PairKind
    kind_reason: KindReason
    wiring: Polarity
    #: ``octaves`` and ``bottom`` (44 to 177 Hz) speak where the sources leave a stereo pair's sign open.
    wiring_basis: WiringBasis | None
    #: Of the sources' agreement.
    confidence: float | None
    #: Track to flip, the one that `check` flips.
    flip: str | None
    setting: Setting | None
    said: Said
    offset_ms: float | None
    #: Part of it by which two recorders did not start together, in the middle of the span; all else is told
    #: of the two lined up.
    recorders_ms: float = 0.0
    #: Of their clocks, where they are two.
    drift_ppm: float | None = None
    offset_std_ms: float | None
    offset_method: OffsetMethod | None
    path_difference_m: float | None
    level_difference_db: float | None
    correlation: float | None
    mono_sum_loss_db: float | None
    mono_sum_loss_flipped_db: float | None
    worst_moment: WorstMoment | None
    mixed_signs: bool
    low_cut: LowCut | None
    pad_db: int | None
    octaves: tuple[Octave, ...]
    history: CorrelationHistory
    remarks: tuple[Remark, ...]


@dataclass(frozen=True, kw_only=True)
class PairDocument(JobDocument):
    """Document of `pair`."""

    command: Literal["pair"]
    pair: Pair
