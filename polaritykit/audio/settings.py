"""What makes a file too short to be a track."""

from dataclasses import dataclass


@dataclass(frozen=True, kw_only=True)
class AudioSettings:
    """What makes a file too short to be a track of a session."""

    #: Shorter than this holds no event with its surroundings (see `EventSettings`).
    min_track_s: float = 0.1
    #: A file this much shorter than the typical one is a stray (a slate, a click): the common span
    #: would throw away nearly the whole session for it.
    min_share_of_median: float = 0.1
