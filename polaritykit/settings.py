"""All settings, as frozen dataclasses passed as arguments; no module-level state.

Those of one subject have a module of their own; all are had from here.
"""

from dataclasses import dataclass, field

from polaritykit.changes.settings import (
    ChangeSettings,
)
from polaritykit.decide.settings import (
    AdviceSettings,
    AgreementSettings,
    AlignmentSettings,
    KitSumSettings,
    LimitSettings,
    PairSettings,
)
from polaritykit.jobs.settings import (
    AirSettings,
    BleedSettings,
    ExcerptSettings,
    PlanSettings,
    PulseSettings,
    SpectralOffsetSettings,
    StereoSettings,
)
from polaritykit.struck.settings import (
    ArrivalSettings,
    EventSettings,
    EvidenceSettings,
)
from polaritykit.sustained.settings import (
    ContinuousSettings,
)

__all__ = [
    "AdviceSettings",
    "AgreementSettings",
    "AirSettings",
    "AlignmentSettings",
    "ArrivalSettings",
    "AudioSettings",
    "BleedSettings",
    "ChangeSettings",
    "ContinuousSettings",
    "EventSettings",
    "EvidenceSettings",
    "ExcerptSettings",
    "KitSumSettings",
    "LevelSettings",
    "LimitSettings",
    "PairSettings",
    "PlanSettings",
    "PulseSettings",
    "Settings",
    "SpectralOffsetSettings",
    "StereoSettings",
    "SummingSettings",
]


@dataclass(frozen=True, kw_only=True)
class LevelSettings:
    """Thresholds of the level and wiring faults.

    "Common practice" means that no standard gives the number.
    """

    #: Fault ``true_peak_over`` above this.  0 dBTP is where a converter must overload; delivery limits
    #: (-1 dBTP in EBU R 128) are for programmes, not for raw tracks.  0.05 dB is the meter's own ripple.
    true_peak_limit_dbtp: float = 0.05
    #: Advice starts when less headroom than this is left (common practice: peaks stay some dB under 0).
    headroom_wanted_db: float = 3.0
    #: Samples in a row at the ceiling that make a flat top (common practice: 2 or 3; three let a
    #: normalised low note, whose top code repeats, pass).
    clip_run_samples: int = 3
    #: A top is flat when its samples agree this well: 2e-4 is -74 dB, above a converter's noise.
    clip_flatness: float = 2e-4
    #: From this fraction of full scale one flat top is enough; below it they must repeat.
    clip_full_scale: float = 0.9995
    clip_runs_below_full_scale: int = 3
    #: No flat top is looked for below this: nobody turns a clipped track down by 40 dB.
    clip_lowest_dbfs: float = -40.0
    #: Fault ``dc_offset``: mean above 0.1 % of full scale (-60 dBFS, common practice) and above this many
    #: standard errors of the means of 1.3 s, so that a short take of a low note is not blamed.
    dc_offset_limit: float = 1e-3
    dc_standard_errors: float = 4.0
    #: Noise floor: this percentile of the levels of 40 ms (digital silence left out), so that pauses
    #: making up a twentieth of the take are enough.
    noise_floor_percentile: float = 5.0
    #: Silent when the peak stays under this (the 16th bit is -90 dBFS) ...
    silent_peak_dbfs: float = -80.0
    #: ... or when the RMS is under the first and 90 % of the levels of 40 ms lie within the second: an open
    #: input hears at least the room change.
    silent_rms_dbfs: float = -60.0
    silent_range_db: float = 1.5
    #: A copy's correlation is within this of ±1 (-60 dB left over); two microphones never come near.
    duplicate_margin: float = 1e-6
    #: A hum line stands this far above both sides of its spectrum (2 s windows) ...
    hum_prominence_db: float = 10.0
    #: ... in this share of the quieter half of the windows, at one level within the spread below.
    hum_presence: float = 0.8
    hum_spread_db: float = 4.0
    #: Fewest windows of 2 s (at 1 s steps) for a verdict on hum.
    hum_windows: int = 4
    #: Fault ``hum`` when its lines together come within this of the track's own RMS.
    hum_below_rms_db: float = 40.0


@dataclass(frozen=True, kw_only=True)
class AudioSettings:
    """What makes a file too short to be a track of a session."""

    #: Shorter than this holds no event with its surroundings (see `EventSettings`).
    min_track_s: float = 0.1
    #: A file this much shorter than the typical one is a stray (a slate, a click): the common span
    #: would throw away nearly the whole session for it.
    min_share_of_median: float = 0.1


@dataclass(frozen=True, kw_only=True)
class SummingSettings:
    """How summed responses are smoothed and bounded."""

    #: The range of hearing.
    lowest_hz: float = 20.0
    highest_hz: float = 20000.0
    #: Width of the smoothing: a twenty-fourth of an octave still shows the notches of 3 ms at 8 kHz.
    bands_per_octave: int = 24
    #: Points of the curve: twice the width, so that no notch falls between two points.
    points_per_octave: int = 48
    #: Nothing is shown deeper: -20 dB of the power sum asks for 13 % agreement in level and 8 degrees in
    #: phase (closed form), about as close as two microphones come.
    floor_db: float = -20.0
    #: Share of a source's energy that makes "the source's band".
    energy_share: float = 0.8


@dataclass(frozen=True, kw_only=True)
class Settings:
    """All settings of an analysis."""

    levels: LevelSettings = field(default_factory=LevelSettings)
    events: EventSettings = field(default_factory=EventSettings)
    arrival: ArrivalSettings = field(default_factory=ArrivalSettings)
    evidence: EvidenceSettings = field(default_factory=EvidenceSettings)
    continuous: ContinuousSettings = field(default_factory=ContinuousSettings)
    agreement: AgreementSettings = field(default_factory=AgreementSettings)
    pairs: PairSettings = field(default_factory=PairSettings)
    advice: AdviceSettings = field(default_factory=AdviceSettings)
    alignment: AlignmentSettings = field(default_factory=AlignmentSettings)
    limits: LimitSettings = field(default_factory=LimitSettings)
    changes: ChangeSettings = field(default_factory=ChangeSettings)
    kit_sum: KitSumSettings = field(default_factory=KitSumSettings)
    #: Frame of the pooled spectra, samples at up to 48 kHz (twice that at twice the rate).
    fft_size: int = 8192
