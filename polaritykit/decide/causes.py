"""Why a pair has no polarity, no offset, or nothing in common: codes and what they speak of, no words.

Conventions: as in `polaritykit.decide.findings`.
"""

from polaritykit.decide.findings import CauseCode, PairCause, PairSource, Relation
from polaritykit.decide.pair_evidence import PairEvidence

#: What hinders a sign, the first that applies.
_OBSTACLES: tuple[CauseCode, ...] = ("narrow", "mixed", "edge")
#: Fewer hits than this are few.
_FEW_HITS = 8


def why_apart(pair: PairEvidence) -> tuple[Relation | None, PairCause]:
    """Why two tracks are not taken to share sound in the air."""
    relation, code = _apart(pair)
    return relation, PairCause(code=code)


def _apart(pair: PairEvidence) -> tuple[Relation | None, CauseCode]:
    a, b = pair.a, pair.b
    frames = [item for home in (a, b) for item in pair.evidence.frames_of.get(home, ())]
    found = {item.obstacle[x] for item in frames for x in (a, b)}
    if pair.evidence.struck:
        found |= pair.evidence.struck_obstacles[a] | pair.evidence.struck_obstacles[b]
    if "crosstalk" in found:
        return "crosstalk", "crosstalk"
    if "mains" in found:
        return "hum", "hum"
    if not pair.evidence.sources:
        return None, "nothing_to_compare"
    if any(item.obstacle[b if item.home == a else a] == "edge" for item in frames):
        return None, "beyond_search"
    return None, "unsteady" if "scatter" in found else "no_shared_sound"


def why_unclear(pair: PairEvidence, sources: tuple[PairSource, ...], *, overheard: bool) -> PairCause:
    """Why the sign of a related pair stays open.

    Parameters
    ----------
    pair : PairEvidence
    sources : tuple of PairSource
        What each says of the pair.
    overheard : bool
        A mic's own source contradicts what only leaks say.

    Returns
    -------
    PairCause
    """
    if overheard:
        return PairCause(code="own_source_objects")
    homes = {
        sign: next((s.home for s in sources if s.polarity == sign), None) for sign in ("same", "inverted")
    }
    if None not in homes.values():
        return PairCause(code="sources_disagree", home=homes["same"], against=homes["inverted"])
    obstacles = {item.obstacle[x] for item in pair.ranked for x in (pair.a, pair.b)}
    for code in _OBSTACLES:
        if code in obstacles:
            return PairCause(code=code)
    if all(item.kind == "continuous" for item in pair.ranked):
        return PairCause(code="faint")
    few = any(item.n_used < _FEW_HITS for item in pair.ranked if item.kind == "hits")
    return PairCause(code="few_hits" if few else "unlike")
