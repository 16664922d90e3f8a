"""What the check of two tracks finds: codes and numbers, no words.

Conventions: a is the first track, b the second; level differences are b over a; offsets positive when b hears
the sound later; a loss of the mono sum is against the power sum of both, so that positive is cancellation.
"""

from dataclasses import dataclass
from typing import Literal

from polaritykit.base.types import Polarity
from polaritykit.decide.findings import PairFinding

#: What two tracks are: a stereo image; two mics on one source; two mics on a source each, which leak into one
#: another; mid and side.
PairKind = Literal["stereo", "one-source", "two-sources", "mid-side"]
#: Why: ``asked`` by the user; ``names`` read as left and right, or mid and side; ``signs`` of both kinds at
#: no delay; ``one_place`` all that both hear has one offset and level; ``own_sources`` each hears another
#: source first and loudest; ``spread`` sources differ in offset or level as over a stage; ``assumed``
#: nothing tells.
KindReason = Literal["asked", "names", "signs", "one_place", "own_sources", "spread", "assumed"]
#: What the wiring rests on: the sources' agreement, as in a check; or, where that leaves the sign of a stereo
#: pair open, the octaves aligned, or its lowest octaves as they are.
WiringBasis = Literal["sources", "octaves", "bottom"]
OffsetMethod = Literal["first arrivals", "direct correlation", "spectra"]
#: ``mid_side_decoded``; ``mid_side_apart`` by the offset; ``mixed_signs`` of a left and a right;
#: ``coincident_eights`` may read inverted; ``same_signal`` twice; ``low_cut`` on one side; ``silent``;
#: ``pad`` of 10 or 20 dB; ``level`` differs; ``tone`` differs; ``mono_loss``; ``swapped`` names;
#: ``leak`` wants another command; ``late_image`` wider apart than a stereo pair's image.
RemarkCode = Literal[
    "mid_side_decoded",
    "mid_side_apart",
    "mixed_signs",
    "coincident_eights",
    "same_signal",
    "low_cut",
    "silent",
    "pad",
    "level",
    "tone",
    "mono_loss",
    "swapped",
    "leak",
    "late_image",
]


@dataclass(frozen=True, kw_only=True)
class Remark:
    """Something worth knowing, with what its sentence needs."""

    code: RemarkCode
    track: str | None = None
    value: float | None = None
    at_hz: float | None = None


@dataclass(frozen=True, kw_only=True)
class StereoOctave:
    """One octave of two tracks."""

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
class LowCut:
    """A low-cut on one side only."""

    side: Literal["reference", "other"]
    corner_hz: float


@dataclass(frozen=True, kw_only=True)
class Wiring:
    """Whether two tracks are wired alike, and what that rests on."""

    polarity: Polarity
    basis: WiringBasis | None = None
    #: Of the sources' agreement.
    confidence: float | None = None
    #: Octaves that agree: how many, the lowest and the highest; or the bottom's correlation.
    n_octaves: int = 0
    octaves_hz: tuple[float, float] | None = None
    correlation: float | None = None
    #: Signs of both kinds at no delay.
    mixed: bool = False


@dataclass(frozen=True, kw_only=True)
class OneSetting:
    """What one track is set to, as a check of the two sets it."""

    track: str
    shift_ms: float
    #: Change of the sum in the main source's band, with the flip.
    gain_db: float


@dataclass(frozen=True, kw_only=True)
class StereoFindings:
    """What `judge.judge_pair` found out about two tracks."""

    reference: str
    other: str
    kind: PairKind
    kind_reason: KindReason
    wiring: Wiring
    #: Track to flip, chosen as a check chooses it; None where nothing is flipped.
    flip: str | None
    #: Shift of one of the two, for mics on one source; None for an image and where none is worth setting.
    setting: OneSetting | None
    #: What an analysis of the two says: why something stays open, copies, changes during the take; None of
    #: mid and side, which share no polarity.
    answer: PairFinding | None
    offset_ms: float | None
    offset_std_ms: float | None
    offset_method: OffsetMethod | None
    #: Difference of the two paths from the dominant source: the least spacing of the mics.
    path_difference_m: float | None
    #: Level of b over a: all of the sound, DC left out.
    level_difference_db: float | None
    correlation: float | None
    mono_sum_loss_db: float | None
    mono_sum_loss_flipped_db: float | None
    worst_moment_s: float | None
    worst_moment_loss_db: float | None
    low_cut: LowCut | None
    #: 10 or 20 where a pad on the quieter side is suspected, or None.
    pad_db: int | None
    octaves: tuple[StereoOctave, ...]
    history: CorrelationHistory
    remarks: tuple[Remark, ...] = ()
