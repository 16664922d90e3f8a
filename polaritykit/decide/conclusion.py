"""Evidence and agreement of one pair to its finding: related, offset, polarity, confidence, or why not.

Conventions: as in `polaritykit.decide.findings`.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from polaritykit.base.types import Polarity
from polaritykit.decide.agreement import Agreement
from polaritykit.decide.causes import why_apart, why_unclear
from polaritykit.decide.findings import OffsetKind, PairCause, PairSource, Relation
from polaritykit.decide.pair_evidence import AllEvidence, PairEvidence
from polaritykit.decide.timing import Timed, by_arrival, leading, leading_sustained, sharper
from polaritykit.evidence.source import SourceEvidence
from polaritykit.spectra.pair_sum import sum_effects_db
from polaritykit.spectra.pool import Spectra

#: A pair is decided from this margin on; a single edge cannot reach the confidence of two.
DECIDE_MARGIN = 1.6
#: A source whose own margin is this strong against the session's sign is named as dissenting.
_DISSENT_MARGIN = 1.5


@dataclass(frozen=True, kw_only=True)
class Conclusion:
    """What the evidence says of one pair, before any advice."""

    related: bool
    relation: Relation | None
    offset_s: float | None
    std_s: float | None
    offset_kind: OffsetKind | None
    polarity: Polarity
    confidence: float
    strong: bool
    main: PairSource | None
    sources: tuple[PairSource, ...]
    #: Why there is no polarity or no offset; None where there are both.
    cause: PairCause | None


def confidence_of(margin: float) -> float:
    """Probability that a sign with this margin (log-odds of the evidence) is right.

    Half the chance that exp(-margin) leaves: a reversed pair needs every witness wrong at once, and a wrong
    witness points either way.  Held against real and simulated sessions by the accuracy benchmark.
    """
    return 1.0 - 0.5 * float(np.exp(-abs(margin)))


def _sign_word(value: float) -> Polarity:
    return "same" if value > 0 else "inverted"


def conclude(
    pair: PairEvidence,
    agreement: Agreement | None,
    *,
    names: tuple[str, ...],
    spectra: Spectra,
    contradicted: frozenset[int] = frozenset(),
) -> Conclusion:
    """Conclude on one pair.

    Parameters
    ----------
    pair : PairEvidence
        Two tracks in session order, and all sources that may speak for them.
    agreement : Agreement or None
        None where no source was found.
    names : tuple of str
    spectra : Spectra
        Pooled over the take.
    contradicted : frozenset of int
        Tracks whose own source speaks against the agreed signs, from `contradicted_tracks`.

    Returns
    -------
    Conclusion
    """
    a, b = pair.a, pair.b
    if not pair.ranked and not pair.evidence.correlates(a, b):
        return _unrelated(pair)
    margin = float(agreement.margin[a, b]) if agreement is not None else 0.0
    least = float(agreement.least_margin[a, b]) if agreement is not None else 0.0
    overheard = pair.objects(margin) or bool(contradicted & {a, b} and not pair.supports(margin))
    if overheard:
        margin = 0.0
    decided = abs(margin) >= DECIDE_MARGIN
    known = [item for item in pair.ranked if item.known[a, b]]
    speaking = next(iter(pair.trusted or (known if decided else ())), None)
    timed = _timed(pair, speaking)
    main = timed.source if timed is not None else speaking
    if main is None:
        return _unrelated(pair)
    items = [main, *(item for item in pair.ranked if item is not main)]
    readings = [timed if timed is not None and item is main else by_arrival(item, a, b) for item in items]
    effects = _sum_effects(pair, items, readings, spectra)
    sources = tuple(
        _pair_source(pair, item, reading, effect, margin=margin if decided else 0.0, names=names)
        for item, reading, effect in zip(items, readings, effects, strict=True)
    )
    return Conclusion(
        related=True,
        relation="acoustic",
        offset_s=timed.offset_s if timed else None,
        std_s=timed.std_s if timed else None,
        offset_kind=timed.kind if timed else None,
        polarity=_sign_word(margin) if decided else "unclear",
        confidence=confidence_of(margin),
        strong=decided and least * np.sign(margin) >= DECIDE_MARGIN,
        main=sources[0],
        sources=sources,
        cause=_why_untimed(pair, main, timed, names)
        if decided
        else why_unclear(pair, sources, overheard=overheard),
    )


def _timed(pair: PairEvidence, main: SourceEvidence | None) -> Timed | None:
    """Choose the offset, where a source speaks of the pair or its direct sound surely correlates."""
    if main is not None and main.kind == "continuous":
        return leading_sustained(pair)
    if main is None and not pair.evidence.correlates(pair.a, pair.b):
        return None
    timed = sharper(leading(pair), leading_sustained(pair))
    # A sound whose sign stays open is shared all the same.
    return timed if timed is None or main is not None or timed.correlates else None


def contradicted_tracks(evidence: AllEvidence, agreement: Agreement | None) -> frozenset[int]:
    """Tracks whose own source, loud there, contradicts the agreed sign of a pair that only leaks support.

    What is said of such a track by leaks alone is not believed in any of its pairs: a bass drum's mic may
    hear the other drums from behind.

    Parameters
    ----------
    evidence : AllEvidence
    agreement : Agreement or None

    Returns
    -------
    frozenset of int
    """
    if agreement is None or not evidence.sources:
        return frozenset()
    found = set()
    for home in {item.home for item in evidence.struck}:
        for other in range(len(evidence.top_db)):
            pair = PairEvidence(evidence=evidence, a=home, b=other)
            loudest = pair.loudest
            if loudest is not None and loudest.home == home:
                found |= {home} if pair.objects(float(agreement.margin[home, other])) else set()
    return frozenset(found)


def _unrelated(pair: PairEvidence) -> Conclusion:
    """Nothing in the air is known to be shared."""
    relation, cause = why_apart(pair)
    return Conclusion(
        related=False,
        relation=relation,
        offset_s=None,
        std_s=None,
        offset_kind=None,
        polarity="unclear",
        confidence=0.5,
        strong=False,
        main=None,
        sources=(),
        cause=cause,
    )


def _why_untimed(
    pair: PairEvidence, main: SourceEvidence, timed: Timed | None, names: tuple[str, ...]
) -> PairCause | None:
    """Why no reading of a source that counts gives an offset, if none does."""
    if timed is not None:
        return None
    if pair.trusted and pair.covers(main):
        return PairCause(code="covered", home=names[main.home])
    return PairCause(code="scattered")


@dataclass(frozen=True, kw_only=True)
class _SumEffect:
    """How much fuller a pair's sum is than its difference in the band of one source's home."""

    band_hz: tuple[float, float] | None = None
    recorded_db: float | None = None
    aligned_db: float | None = None


def _sum_effects(
    pair: PairEvidence, items: Sequence[SourceEvidence], readings: Sequence[Timed | None], spectra: Spectra
) -> list[_SumEffect]:
    """Tell the effects of all sources at once."""
    bands = [spectra.energy_bands[item.home] for item in items]
    asked = [
        (place, band, delay_ms)
        for place, (band, timed) in enumerate(zip(bands, readings, strict=True))
        if band is not None
        for delay_ms in (0.0, *(() if timed is None else (-1e3 * timed.offset_s,)))
    ]
    told = sum_effects_db(spectra.pair(pair.a, pair.b), [one[1] for one in asked], [one[2] for one in asked])
    of_item: list[list[float | None]] = [[] for _ in items]
    for (place, _, _), effect in zip(asked, told, strict=True):
        of_item[place].append(effect)
    return [
        _SumEffect(band_hz=band, recorded_db=(*own, None)[0], aligned_db=(*own, None, None)[1])
        for band, own in zip(bands, of_item, strict=True)
    ]


def _pair_source(
    pair: PairEvidence,
    item: SourceEvidence,
    timed: Timed | None,
    effect: _SumEffect,
    *,
    margin: float,
    names: tuple[str, ...],
) -> PairSource:
    a, b = pair.a, pair.b
    odds = float(item.log_odds[a, b])
    clear = abs(odds) >= _DISSENT_MARGIN
    return PairSource(
        home=names[item.home],
        kind=item.kind,
        hits=item.n_used,
        offset_ms=timed.offset_s * 1e3 if timed else None,
        offset_std_ms=timed.std_s * 1e3 if timed else None,
        offset_kind=timed.kind if timed else None,
        polarity=_sign_word(odds) if clear else "unclear",
        confidence=confidence_of(odds),
        level_db=float(np.min((item.weighed_db - pair.top_db)[[a, b]])),
        level_difference_db=float(item.level_db[b] - item.level_db[a]),
        dissents=clear and odds * margin < 0,
        band_hz=effect.band_hz,
        sum_effect_db=effect.recorded_db,
        sum_effect_aligned_db=effect.aligned_db,
    )
