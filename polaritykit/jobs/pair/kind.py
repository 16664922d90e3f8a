"""What two tracks are: a stereo image, two mics on one source, two mics on a source each, or mid and side.

Names tell where they can (left and right, mid and side); else what the two share.  A pair on one instrument
and a stereo pair on one instrument are the same to the ear of a computer: one source, one offset, one level.

Conventions: level differences are of the second track over the first, offsets positive when it hears later.
"""

from polaritykit.base.track_names import linked_pairs, mid_and_side
from polaritykit.decide.findings import PairFinding, PairSource
from polaritykit.decide.units import OWN_OVER_REST_DB
from polaritykit.jobs.pair.findings import KindReason, PairKind
from polaritykit.jobs.pair.phase_tiles import PhaseTiles

#: Offsets below this are "no delay" (2 cm): mics at one point.
COINCIDENT_MS = 0.06
#: One place: its offsets agree within this, half a period at 1.7 kHz; and its levels as mics on one
#: source's do.
_SAME_PLACE_MS = 0.3
#: Mixed signs: of so many moments of one source this share lies at 0° or 180°, and this share of those at the
#: rarer of the two.
_FEWEST_TILES, _COINCIDENT_SHARE, _MIXED_SHARE = 30, 0.75, 0.15


def kind_of(
    names: tuple[str, str], pair: PairFinding, tiles: PhaseTiles, asked: PairKind | None = None
) -> tuple[PairKind, KindReason]:
    """Say what two tracks are, and why.

    Parameters
    ----------
    names : (str, str)
    pair : PairFinding
        What an analysis says of the two.
    tiles : PhaseTiles
        Phases of moments of one source.
    asked : optional
        What the user says they are.

    Returns
    -------
    tuple
    """
    if asked is not None:
        return asked, "asked"
    if mid_and_side(*names) is not None or linked_pairs(names):
        return "stereo" if linked_pairs(names) else "mid-side", "names"
    if mixed_signs(tiles, pair.offset_ms):
        return "mid-side", "signs"
    return _by_sources([source for source in pair.sources if source.offset_ms is not None])


def _by_sources(heard: list[PairSource]) -> tuple[PairKind, KindReason]:
    """Say what the two are by the sources that are timed in both."""
    if not heard:
        return "stereo", "assumed"
    if _own_sources(heard):
        return "two-sources", "own_sources"
    sure = [source for source in heard if source.polarity != "unclear"] or heard[:1]
    offsets = [source.offset_ms or 0.0 for source in sure]
    levels = [source.level_difference_db for source in sure]
    together = max(offsets) - min(offsets) <= _SAME_PLACE_MS
    if together and max(levels) - min(levels) <= OWN_OVER_REST_DB:
        return "one-source", "one_place"
    return "stereo", "spread"


def mixed_signs(tiles: PhaseTiles, offset_ms: float | None) -> bool:
    """Whether sources come in both signs at no delay: mid-side, or figure-of-eights at one point."""
    coincident = tiles.same + tiles.inverted
    enough = tiles.total >= _FEWEST_TILES and coincident >= _COINCIDENT_SHARE * tiles.total
    rarer = min(tiles.same, tiles.inverted)
    near = offset_ms is None or abs(offset_ms) <= COINCIDENT_MS
    return bool(enough and near and rarer >= _MIXED_SHARE * coincident)


def _own_sources(sources: list[PairSource]) -> bool:
    """Whether each track has a source that it hears first, and louder against the other's by a mic's reach.

    Common gains do not matter: the two level differences are held against one another.
    """
    early = [s.level_difference_db for s in sources if (s.offset_ms or 0.0) > COINCIDENT_MS]
    late = [s.level_difference_db for s in sources if (s.offset_ms or 0.0) < -COINCIDENT_MS]
    return bool(early and late and max(late) - min(early) >= 2.0 * OWN_OVER_REST_DB)
