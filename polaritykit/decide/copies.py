"""Tracks that are one recording again: exact, late, filtered or turned-over copies.

Conventions: ``late_s`` positive where the copy is late; the first in session order of equals is the original.
"""

from collections.abc import Mapping, Sequence

from polaritykit.decide.scene import Copy
from polaritykit.decide.setting import Shift

#: A copy up to this late is brought onto its original; a later one is a printed echo.
ECHO_S = 0.010


def followed(copies: Sequence[Copy], found: Mapping[int, Shift], sample_rate_hz: int) -> dict[int, Shift]:
    """Shift every copy with its original, and onto it.

    Parameters
    ----------
    copies : sequence of Copy
    found : mapping of track to Shift
        Of all other tracks.
    sample_rate_hz : int

    Returns
    -------
    dict of track to Shift
    """
    shifts: dict[int, Shift] = {}
    for copy in copies:
        original = found[copy.original]
        if abs(copy.late_s) > ECHO_S:
            shifts[copy.track] = Shift(
                shift_s=0.0,
                reason="echo",
                late_s=copy.late_s,
                about=copy.original,
                late_samples=copy.late_s * sample_rate_hz,
            )
        else:
            shifts[copy.track] = Shift(
                shift_s=original.shift_s - copy.late_s,
                reason="copy",
                late_s=copy.late_s,
                about=copy.original,
                late_samples=copy.late_s * sample_rate_hz,
            )
    return shifts
