"""What a caller may change of level faults; all other thresholds stand beside their formula."""

from dataclasses import dataclass


@dataclass(frozen=True, kw_only=True)
class LevelSettings:
    """Thresholds of level faults that a caller may change."""

    #: Fault ``true_peak_over`` above this.  0 dBTP is where a converter must overload; delivery limits
    #: (-1 dBTP in EBU R 128) are for programmes, not for raw tracks.  0.05 dB is the meter's own ripple.
    true_peak_limit_dbtp: float = 0.05
    #: Advice starts when less headroom than this is left (common practice: peaks stay some dB under 0).
    headroom_wanted_db: float = 3.0
