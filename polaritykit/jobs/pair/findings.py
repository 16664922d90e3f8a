"""What the check of a stereo pair finds."""

from dataclasses import dataclass
from typing import Literal

from polaritykit.base.types import Polarity


@dataclass(frozen=True, kw_only=True)
class StereoOctave:
    """One octave of a stereo pair (first track L, second R, whatever their names)."""

    centre_hz: float
    #: Level of the louder side in this octave.
    level_dbfs: float
    #: Level of b over a.
    level_difference_db: float
    #: Magnitude-squared coherence, and phase of b against a once b is advanced by the offset.
    coherence: float
    phase_deg: float
    #: Correlation coefficient as recorded, and with b advanced by the offset (and its uncertainty).
    correlation: float
    aligned_correlation: float
    aligned_correlation_std: float
    #: Size of the complex correlation once aligned: how much the octave has to say.
    aligned_size: float
    #: What the mono sum loses against the power sum of both: above 0 cancels, −3 dB is perfect agreement.
    mono_sum_loss_db: float
    mono_sum_loss_flipped_db: float


@dataclass(frozen=True, kw_only=True)
class CorrelationHistory:
    """Correlation coefficient and mono-sum loss in consecutive windows; None where there is silence."""

    window_s: float
    correlation: tuple[float | None, ...]
    mono_sum_loss_db: tuple[float | None, ...]


@dataclass(frozen=True, kw_only=True)
class StereoFindings:
    """What `measure.analyse_pair` found out about two tracks, a (reference) and b."""

    reference: str
    other: str
    wiring: Polarity
    #: Why the wiring is unclear, or what the verdict rests on.
    wiring_reason: str
    offset_ms: float | None
    offset_std_ms: float | None
    #: Difference of the two paths from the dominant source: the least spacing of the mics.
    path_difference_m: float | None
    #: Level of b over a, broadband.
    level_difference_db: float | None
    correlation: float | None
    mono_sum_loss_db: float | None
    mono_sum_loss_flipped_db: float | None
    worst_moment_s: float | None
    worst_moment_loss_db: float | None
    #: Some sources alike, others inverted, all at no delay: mid-side, or coincident figure-of-eights.
    mixed_signs: bool
    #: Side with the low-cut (``reference`` or ``other``) and its corner, or None.
    low_cut_side: str | None
    low_cut_hz: float | None
    #: 10 or 20 where a pad on the quieter side is suspected, or None.
    pad_db: int | None
    octaves: tuple[StereoOctave, ...]
    history: CorrelationHistory
    #: Flip b? Only where the wiring is inverted.
    invert: bool
    remarks: tuple[str, ...]
    #: ``spectra`` (the phase of the whole take) or ``first arrivals`` (of its main source); of `offset_ms`.
    offset_method: Literal["spectra", "first arrivals"] = "spectra"
