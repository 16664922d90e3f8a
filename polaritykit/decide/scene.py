"""What the decision stage is given: tracks, signs, arrivals and gated spectra, as arrays.

Conventions: tracks are indices in session order; times in seconds, of one source against any common zero.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from polaritykit.base.types import Floats
from polaritykit.decide.source_sums import GatedSpectra


@dataclass(frozen=True, kw_only=True)
class Sound:
    """One source: when and how loud each track hears it."""

    #: Track it is at home on.
    home: int
    #: NaN where no clear arrival is known.
    arrival_s: Floats
    level_db: Floats
    spectra: GatedSpectra
    #: Taken from a track's own octave of the whole take, not from strokes or frames of its own.
    by_octave: bool = False


@dataclass(frozen=True, kw_only=True)
class Copy:
    """A track that is another one again, earlier or later, perhaps filtered or turned over."""

    track: int
    original: int
    #: How late the copy is.
    late_s: float
    inverted: bool
    #: Whether a filter lies between them.
    filtered: bool


@dataclass(frozen=True, kw_only=True)
class PrintedSum:
    """A track that is the sum of others, as a bus is."""

    track: int
    parts: tuple[int, ...]
    #: How late the sum is.
    late_s: float


@dataclass(frozen=True, kw_only=True)
class Scene:
    """A session as measured."""

    #: Sign that each track is set to (−1 flips it), and whether evidence settles it.
    signs: Floats
    sign_known: NDArray[np.bool_]
    #: Tracks that share sound with the anchor (itself included).
    related: NDArray[np.bool_]
    #: Tracks fit to be judged: neither silent nor copies nor sums of others.
    usable: NDArray[np.bool_]
    #: Room mics by name or place: they keep their lateness.
    room: NDArray[np.bool_]
    #: Stereo pairs.
    linked: tuple[tuple[int, int], ...]
    anchor: int | None
    sounds: tuple[Sound, ...]
    #: Place in `sounds` of each track's own source, −1 where it was not found by itself.
    own: NDArray[np.int64]
    #: Gain that brings each track to one level, 0 for silence.
    gains: Floats
    copies: tuple[Copy, ...] = ()
    sample_rate_hz: int = 48_000
    #: Sounds of close mics whose source was not told apart, by the strokes that are theirs alone: in sums
    #: like the others, but without arrivals, and no track is there for them.
    unplaced: tuple[Sound, ...] = ()
    #: Tracks that are sums of others: they stay as they are, and are heard in the sum of all.
    sums: tuple[PrintedSum, ...] = ()

    @property
    def heard(self) -> tuple[Sound, ...]:
        """All that is heard in sums, `sounds` first."""
        return (*self.sounds, *self.unplaced)

    @property
    def anchors(self) -> tuple[int, ...]:
        """The anchor and its stereo partner."""
        if self.anchor is None:
            return ()
        pair = next((pair for pair in self.linked if self.anchor in pair), (self.anchor,))
        # A side whose own sign is open would decide sums by chance.
        return tuple(track for track in pair if self.sign_known[track]) or pair
