"""The document of `pair`."""

from dataclasses import dataclass
from typing import Literal

from polaritykit.base.types import Polarity
from polaritykit.jobs.pair.findings import CorrelationHistory
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
class Pair:
    """What was found."""

    reference: str
    other: str
    wiring: Polarity
    wiring_reason: str
    invert: bool
    offset_ms: float | None
    #: Part of it by which two recorders did not start together, in the middle of the span; all else is told
    #: of the two lined up.
    recorders_ms: float = 0.0
    #: Of their clocks, where they are two.
    drift_ppm: float | None = None
    offset_std_ms: float | None
    offset_method: Literal["spectra", "first arrivals"] | None
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
    remarks: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class PairDocument(JobDocument):
    """Document of `pair`."""

    command: Literal["pair"]
    pair: Pair
