"""Thresholds of the level and wiring faults."""

from dataclasses import dataclass


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
