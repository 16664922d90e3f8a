"""What all sources of a session say of one pair: which is loudest in it, which may speak, which contradicts.

Conventions: as in `polaritykit.evidence.source`; what a source brings to a pair is in dB against each track's
loudest source, the mean over the two.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from polaritykit.base.types import Floats
from polaritykit.evidence.source import SourceEvidence
from polaritykit.struck.direct_correlation import SURELY_AGREED

#: A source says something of a pair from these log-odds on (one in four wrong at this level).
SPEAKS_LOG_ODDS = 1.0
#: Its offset speaks for the pair when the picks from resampled hits stay within this ...
SHARP_STD_MS = 0.15
#: ... and even with little to say of the sign (a cymbal) when they stay within that: on development sequences
#: of a kit and of simulated rooms all of 59 such offsets lay within 0.3 ms of the truth.
_VERY_SHARP_STD_MS, _VERY_SHARP_LOG_ODDS = 0.05, 0.3
#: It does not speak where another source brings this much more to the pair's cross-spectrum: a tenth of the
#: common sound does not tell how the rest adds.
COVERED_DB = 10.0


@dataclass(frozen=True, kw_only=True)
class AllEvidence:
    """All sources of a session, and what is asked of them for every pair, gathered once."""

    sources: tuple[SourceEvidence, ...]

    @cached_property
    def top_db(self) -> Floats:
        """Level of each track's loudest source, shape (n_tracks,)."""
        return np.asarray(np.max([item.weighed_db for item in self.sources], axis=0))

    @cached_property
    def speaking(self) -> dict[tuple[int, int], list[SourceEvidence]]:
        """The sources that say anything of a pair of tracks, by pair; most pairs of many tracks have none."""
        found: dict[tuple[int, int], list[SourceEvidence]] = {}
        for item in self.sources:
            speaks = np.triu(item.known | (np.abs(item.log_odds) >= SPEAKS_LOG_ODDS), 1)
            for a, b in np.argwhere(speaks).tolist():
                found.setdefault((a, b), []).append(item)
        return found

    @cached_property
    def struck(self) -> tuple[SourceEvidence, ...]:
        """The struck sources."""
        return tuple(item for item in self.sources if item.kind == "hits")

    def correlates(self, a: int, b: int) -> bool:
        """Whether the direct sound of any struck source surely correlates in a pair.

        What two tracks do not share peaks elsewhere in each band, gate and half of the strokes.

        Parameters
        ----------
        a, b : int
        """
        return bool(len(self._most_agreed) and self._most_agreed[a, b] >= SURELY_AGREED)

    @cached_property
    def _most_agreed(self) -> Floats:
        agreed = [item.direct.agreed for item in self.struck if item.direct is not None]
        return np.max(agreed, axis=0) if agreed else np.zeros(0)

    @cached_property
    def struck_obstacles(self) -> tuple[frozenset[str], ...]:
        """What hinders any struck source, track by track."""
        return tuple(frozenset(words) for words in zip(*(item.obstacle for item in self.struck), strict=True))

    @cached_property
    def frames_of(self) -> dict[int, list[SourceEvidence]]:
        """The sources of sustained sound, by their home."""
        found: dict[int, list[SourceEvidence]] = {}
        for item in self.sources:
            if item.kind == "continuous":
                found.setdefault(item.home, []).append(item)
        return found


@dataclass(frozen=True, kw_only=True)
class PairEvidence:
    """The evidence of a session, as it bears on one pair."""

    evidence: AllEvidence
    #: Tracks in session order.
    a: int
    b: int

    @property
    def top_db(self) -> Floats:
        """Level of each track's loudest source, shape (n_tracks,)."""
        return self.evidence.top_db

    @cached_property
    def ranked(self) -> tuple[SourceEvidence, ...]:
        """The sources that say anything of the pair: trusted offsets first, then by what they bring."""
        heard = self.evidence.speaking.get((min(self.a, self.b), max(self.a, self.b)), [])
        return tuple(sorted(heard, key=lambda item: (not self.trusts(item), -self.brings_db(item))))

    @property
    def trusted(self) -> tuple[SourceEvidence, ...]:
        """Those of them whose offset may speak for the pair."""
        return tuple(item for item in self.ranked if self.trusts(item))

    @cached_property
    def struck(self) -> tuple[SourceEvidence, ...]:
        """Struck sources that both tracks hear above their noise, timed or not."""
        return tuple(
            item
            for item in self.evidence.struck
            if "noise" not in (item.obstacle[self.a], item.obstacle[self.b])
        )

    @cached_property
    def loudest(self) -> SourceEvidence | None:
        """The struck source that brings most; None where none reaches both."""
        return max(self.struck, key=self.brings_db, default=None)

    def brings_db(self, item: SourceEvidence) -> float:
        """Return what a source brings to the pair's cross-spectrum.

        That is the product of its amplitudes in both, the mean of its levels.
        """
        a, b, level = self.a, self.b, item.weighed_db
        return float((level[a] - self.top_db[a] + (level[b] - self.top_db[b])) / 2.0)

    def trusts(self, item: SourceEvidence) -> bool:
        """Whether the source's offset may speak for the pair."""
        if not item.known[self.a, self.b]:
            return False
        if item.kind == "continuous":
            return True
        std_ms = 1e3 * float(item.std_s[self.a, self.b])
        if item.by_correlation is not None and item.by_correlation[self.a, self.b]:
            return False
        says = abs(float(item.log_odds[self.a, self.b]))
        if std_ms <= _VERY_SHARP_STD_MS:
            return says >= _VERY_SHARP_LOG_ODDS
        return std_ms <= SHARP_STD_MS and says >= SPEAKS_LOG_ODDS

    def covers(self, main: SourceEvidence) -> bool:
        """Whether another struck source brings so much more that this one's offset tells nothing.

        A sound that is faint in both tracks may be timed well where the loud one is not.
        """
        if main.kind == "continuous" or self.loudest is None:
            return False
        return self.brings_db(self.loudest) - self.brings_db(main) > COVERED_DB

    def supports(self, margin: float) -> bool:
        """Whether a struck source about as loud as the loudest is for the agreed sign."""
        if self.loudest is None:
            return False
        most_db = max(
            (self.brings_db(item) for item in self.struck if self._says(item, margin) >= SPEAKS_LOG_ODDS),
            default=-np.inf,
        )
        return bool(self.brings_db(self.loudest) - most_db <= COVERED_DB)

    def objects(self, margin: float) -> bool:
        """Whether the loudest struck source contradicts a sign that only far fainter ones support."""
        if self.loudest is None:
            return False
        return self._says(self.loudest, margin) <= -SPEAKS_LOG_ODDS and not self.supports(margin)

    def _says(self, item: SourceEvidence, margin: float) -> float:
        return float(item.log_odds[self.a, self.b] * np.sign(margin))
