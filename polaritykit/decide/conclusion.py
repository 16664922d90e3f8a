"""Evidence and agreement of one pair to its finding: related, offset, polarity, confidence, or why not.

Conventions: as in `polaritykit.decide.findings`.
"""

from dataclasses import dataclass

import numpy as np

from polaritykit.base.types import Floats, Polarity
from polaritykit.decide.agreement import Agreement
from polaritykit.decide.findings import OffsetKind, PairSource, Relation
from polaritykit.decide.settings import AgreementSettings, PairSettings
from polaritykit.evidence.source import SourceEvidence
from polaritykit.spectra.pair_sum import energy_band, sum_effect_db
from polaritykit.spectra.pool import Spectra

#: Why a sign stays open, the first that applies.
_OBSTACLES = {
    "narrow": "narrow band: the two polarities look alike",
    "mixed": "the parts of the spectrum do not agree on one sign: a filter on one track, several sources, or "
    "too little above the noise",
    "edge": "the arrival lies at the edge of the search",
}


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
    reason: str | None


def confidence_of(margin: float) -> float:
    """Probability that a sign with this margin (log-odds of the evidence) is right.

    Half the chance that exp(-margin) leaves: a reversed pair needs every witness wrong at once, and a wrong
    witness points either way.  Held against real and simulated sessions by the accuracy benchmark.
    """
    return 1.0 - 0.5 * float(np.exp(-abs(margin)))


def _sign_word(value: float) -> Polarity:
    return "same" if value > 0 else "inverted"


def conclude(
    a: int,
    b: int,
    *,
    evidence: tuple[SourceEvidence, ...],
    agreement: Agreement | None,
    names: tuple[str, ...],
    spectra: Spectra,
    settings: PairSettings,
    signs: AgreementSettings,
    contradicted: frozenset[int] = frozenset(),
) -> Conclusion:
    """Conclude on the pair (a, b).

    Parameters
    ----------
    a, b : int
        Tracks in session order.
    evidence : tuple of SourceEvidence
        All sources of the session that may speak for this pair.
    agreement : Agreement or None
        None where no source was found.
    names : tuple of str
    spectra : Spectra
        Pooled over the take.
    settings : PairSettings
    signs : AgreementSettings
    contradicted : frozenset of int
        Tracks whose own source speaks against the agreed signs, from `contradicted_tracks`.

    Returns
    -------
    Conclusion
    """
    margin = float(agreement.margin[a, b]) if agreement is not None else 0.0
    least = float(agreement.least_margin[a, b]) if agreement is not None else 0.0
    top = np.max([item.level_db for item in evidence], axis=0) if evidence else np.zeros(len(names))
    ranked = _ranked(evidence, a, b, top=top, settings=settings)
    heard = _Struck.of(evidence, a, b, top=top, margin=margin, settings=settings)
    overheard = heard.objects
    if overheard or (contradicted & {a, b} and not heard.supports):
        margin, overheard = 0.0, True
    decided = abs(margin) >= signs.decide_margin
    trusted = [item for item in ranked if _trusted(item, a, b, settings)]
    known = [item for item in ranked if item.known[a, b]]
    if not trusted and not (decided and known):
        return _unrelated(evidence, a, b)
    main = (trusted or known)[0]
    blurred = not trusted and float(main.std_s[a, b]) > settings.sharp_std_ms * 1e-3
    covered = _covered(main, evidence, a, b, top=top, settings=settings)
    untimed = _why_untimed(names[main.home], blurred=blurred, covered=covered)
    timed = _Timed.by_arrival(main, a, b, settings) if untimed is None else None
    direct = _by_correlation(
        evidence, a, b, instead_of=main if untimed is None else None, top=top, settings=settings
    )
    if direct is not None:
        main, timed, untimed = direct.source, direct, None
    heard_sources = [main, *(item for item in ranked if item is not main)]
    sources = tuple(
        _pair_source(
            item,
            a,
            b,
            timed=direct if direct is not None and item is main else _Timed.by_arrival(item, a, b, settings),
            top=top,
            margin=margin if decided else 0.0,
            names=names,
            spectra=spectra,
            signs=signs,
        )
        for item in heard_sources
    )
    return Conclusion(
        related=True,
        relation="acoustic",
        offset_s=timed.offset_s if timed else None,
        std_s=timed.std_s if timed else None,
        offset_kind=timed.kind if timed else None,
        polarity=_sign_word(margin) if decided else "unclear",
        confidence=confidence_of(margin),
        strong=decided and least * np.sign(margin) >= signs.decide_margin,
        main=sources[0],
        sources=sources,
        reason=untimed if decided else _why_unclear(ranked, sources, a, b, overheard=overheard),
    )


@dataclass(frozen=True, kw_only=True)
class _Timed:
    """One source's offset of a pair and what it rests on."""

    source: SourceEvidence
    offset_s: float
    std_s: float
    #: None for sustained sound.
    kind: OffsetKind | None

    @classmethod
    def by_arrival(cls, source: SourceEvidence, a: int, b: int, settings: PairSettings) -> "_Timed | None":
        """Offset of the first arrivals, its spread widened by what the direct sound's correlation says."""
        if not source.known[a, b]:
            return None
        offset_s, std_s = float(source.offset_s[a, b]), float(source.std_s[a, b])
        if source.direct is None:
            return cls(source=source, offset_s=offset_s, std_s=std_s, kind=None)
        moved = source.moved is not None and bool(source.moved[a, b])
        apart_s = abs(offset_s - float(source.direct.offset_s[a, b]))
        supported = (
            source.direct.agreed[a, b] >= settings.direct_agreed and apart_s * 1e3 <= settings.open_std_ms
        )
        return cls(
            source=source,
            offset_s=offset_s,
            std_s=float(np.hypot(std_s, 0.5 * apart_s if supported else settings.open_std_ms * 1e-3)),
            kind="direct_correlation" if moved else "first_arrival",
        )


def _by_correlation(
    evidence: tuple[SourceEvidence, ...],
    a: int,
    b: int,
    *,
    instead_of: SourceEvidence | None,
    top: Floats,
    settings: PairSettings,
) -> _Timed | None:
    """Offset of the loudest struck source whose direct sound correlates at one lag, if it is loud enough.

    Against a source with a clear first arrival it has to lead, and to be sure; sustained sound, which no
    stroke repeats, it leaves alone.
    """
    if instead_of is not None and instead_of.kind == "continuous":
        return None
    struck = [item for item in evidence if item.kind == "hits"]
    least_db = max((_brings_db(item, a, b, top) for item in struck), default=-np.inf) - settings.covered_db
    agreed = settings.direct_agreed
    if instead_of is not None:
        least_db = _brings_db(instead_of, a, b, top) + settings.leads_db
        agreed = settings.direct_surely_agreed
    found = [
        (item, item.direct)
        for item in struck
        if item.direct is not None
        and item.direct.agreed[a, b] >= agreed
        and _brings_db(item, a, b, top) >= least_db
    ]
    if not found:
        return None
    item, direct = max(found, key=lambda pair: _brings_db(pair[0], a, b, top))
    return _Timed(
        source=item,
        offset_s=float(direct.offset_s[a, b]),
        std_s=float(direct.std_s[a, b]),
        kind="direct_correlation",
    )


def _unrelated(evidence: tuple[SourceEvidence, ...], a: int, b: int) -> Conclusion:
    """Nothing in the air is known to be shared."""
    relation, reason = _apart(evidence, a, b)
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
        reason=reason,
    )


def _ranked(
    evidence: tuple[SourceEvidence, ...], a: int, b: int, *, top: Floats, settings: PairSettings
) -> list[SourceEvidence]:
    """Order the sources that say anything of the pair: trusted offsets first, then by what they bring."""
    heard = [
        item for item in evidence if item.known[a, b] or abs(item.log_odds[a, b]) >= settings.speaks_log_odds
    ]
    return sorted(heard, key=lambda item: (not _trusted(item, a, b, settings), -_brings_db(item, a, b, top)))


def _brings_db(item: SourceEvidence, a: int, b: int, top: Floats) -> float:
    """Return what a source brings to the pair's cross-spectrum, dB against each track's loudest source.

    That is the product of its amplitudes in both, the mean of its levels.
    """
    return float(np.mean((item.level_db - top)[[a, b]]))


def _covered(
    main: SourceEvidence,
    evidence: tuple[SourceEvidence, ...],
    a: int,
    b: int,
    *,
    top: Floats,
    settings: PairSettings,
) -> bool:
    """Whether another struck source brings so much more to the pair that this one's offset tells nothing.

    A sound that is faint in both tracks may be timed well where the loud one is not.
    """
    if main.kind == "continuous":
        return False
    others = [_brings_db(item, a, b, top) for item in _struck(evidence, a, b)]
    return max(others, default=-np.inf) - _brings_db(main, a, b, top) > settings.covered_db


def contradicted_tracks(
    evidence: tuple[SourceEvidence, ...], agreement: Agreement | None, settings: PairSettings
) -> frozenset[int]:
    """Tracks whose own source, loud there, contradicts the agreed sign of a pair that only leaks support.

    What is said of such a track by leaks alone is not believed in any of its pairs: a bass drum's mic may
    hear the other drums from behind.

    Parameters
    ----------
    evidence : tuple of SourceEvidence
    agreement : Agreement or None
    settings : PairSettings

    Returns
    -------
    frozenset of int
    """
    if agreement is None or not evidence:
        return frozenset()
    top = np.max([item.level_db for item in evidence], axis=0)
    found = set()
    for home in {item.home for item in evidence if item.kind == "hits"}:
        for other in range(len(top)):
            margin = float(agreement.margin[home, other])
            heard = _Struck.of(evidence, home, other, top=top, margin=margin, settings=settings)
            if heard.objects and heard.loudest is not None and heard.loudest.home == home:
                found.add(home)
    return frozenset(found)


@dataclass(frozen=True, kw_only=True)
class _Struck:
    """What the struck sources of a pair say to its agreed sign."""

    #: None where no struck source reaches both.
    loudest: SourceEvidence | None
    #: The loudest contradicts a sign that only far fainter ones support, or none.
    objects: bool
    #: One about as loud as the loudest supports it.
    supports: bool

    @classmethod
    def of(
        cls,
        evidence: tuple[SourceEvidence, ...],
        a: int,
        b: int,
        *,
        top: Floats,
        margin: float,
        settings: PairSettings,
    ) -> "_Struck":
        struck = _struck(evidence, a, b)
        if not struck:
            return cls(loudest=None, objects=False, supports=False)
        loudest = max(struck, key=lambda item: _brings_db(item, a, b, top))
        says = {id(item): item.log_odds[a, b] * np.sign(margin) for item in struck}
        support = [
            _brings_db(item, a, b, top) for item in struck if says[id(item)] >= settings.speaks_log_odds
        ]
        near = _brings_db(loudest, a, b, top) - max(support, default=-np.inf) <= settings.covered_db
        against = bool(says[id(loudest)] <= -settings.speaks_log_odds)
        return cls(loudest=loudest, objects=against and not near, supports=near)


def _struck(evidence: tuple[SourceEvidence, ...], a: int, b: int) -> list[SourceEvidence]:
    """Struck sources that both tracks hear above their noise, timed or not."""
    return [
        item
        for item in evidence
        if item.kind == "hits" and "noise" not in (item.obstacle[a], item.obstacle[b])
    ]


def _why_untimed(home: str, *, blurred: bool, covered: bool) -> str | None:
    if blurred:
        return "the first arrivals scatter from hit to hit: no offset is given"
    if covered:
        return (
            "what is loudest in both has no clear first arrival in one of them, and the offset of a fainter "
            f"source ({home}) does not tell how the rest adds"
        )
    return None


def _trusted(item: SourceEvidence, a: int, b: int, settings: PairSettings) -> bool:
    """Whether the source's offset may speak for the pair."""
    if not item.known[a, b]:
        return False
    if item.kind == "continuous":
        return True
    std_ms, says = 1e3 * float(item.std_s[a, b]), abs(float(item.log_odds[a, b]))
    if std_ms <= settings.very_sharp_std_ms:
        return says >= settings.very_sharp_log_odds
    return std_ms <= settings.sharp_std_ms and says >= settings.speaks_log_odds


def _pair_source(
    item: SourceEvidence,
    a: int,
    b: int,
    *,
    timed: _Timed | None,
    top: Floats,
    margin: float,
    names: tuple[str, ...],
    spectra: Spectra,
    signs: AgreementSettings,
) -> PairSource:
    odds = float(item.log_odds[a, b])
    clear = abs(odds) >= signs.dissent_margin
    band = energy_band(spectra.power[item.home], spectra.frequency_hz)
    offset_ms = timed.offset_s * 1e3 if timed else None
    pair = spectra.pair(a, b)
    effect = aligned = None
    if band is not None:
        effect = sum_effect_db(pair, band_hz=band, delay_ms=0.0)
        aligned = sum_effect_db(pair, band_hz=band, delay_ms=-offset_ms) if offset_ms is not None else None
    return PairSource(
        home=names[item.home],
        kind=item.kind,
        hits=item.n_used,
        offset_ms=offset_ms,
        offset_std_ms=timed.std_s * 1e3 if timed else None,
        offset_kind=timed.kind if timed else None,
        polarity=_sign_word(odds) if clear else "unclear",
        confidence=confidence_of(odds),
        level_db=float(np.min((item.level_db - top)[[a, b]])),
        level_difference_db=float(item.level_db[b] - item.level_db[a]),
        dissents=clear and odds * margin < 0,
        band_hz=band,
        sum_effect_db=effect,
        sum_effect_aligned_db=aligned,
    )


def _apart(evidence: tuple[SourceEvidence, ...], a: int, b: int) -> tuple[Relation | None, str]:
    """Why two tracks are not taken to share sound in the air."""
    found = {
        item.obstacle[x] for item in evidence for x in (a, b) if item.kind == "hits" or item.home in (a, b)
    }
    if "crosstalk" in found:
        return "crosstalk", (
            "what they share has no delay at all and is very faint: electrical or digital crosstalk "
            "suspected, not sound"
        )
    if "mains" in found:
        return "hum", "all they share lies on the harmonics of the mains: hum, not sound"
    if not evidence:
        return None, "neither sustained sound nor enough hits of one source were found to compare"
    frames = [item for item in evidence if item.kind == "continuous"]
    if any(item.obstacle[b if item.home == a else a] == "edge" for item in frames if item.home in (a, b)):
        return None, "what they share lies at the edge of the search: larger offsets are not looked for"
    if found & {"scatter"}:
        return None, "no source reaches both tracks at a steady time: too few clean hits, or nothing shared"
    return None, "no sound was found that both tracks share above the noise"


def _why_unclear(
    ranked: list[SourceEvidence],
    sources: tuple[PairSource, ...],
    a: int,
    b: int,
    *,
    overheard: bool,
) -> str:
    if overheard:
        return (
            "a mic's own source contradicts what only leaks say: one of the two mics hears it, or them, "
            "from the other side"
        )
    said = {source.polarity for source in sources if source.polarity != "unclear"}
    if len(said) > 1:
        same = next(source.home for source in sources if source.polarity == "same")
        inverted = next(source.home for source in sources if source.polarity == "inverted")
        return f"two sources disagree: {same} is heard with the same polarity, {inverted} inverted"
    obstacles = {item.obstacle[x] for item in ranked for x in (a, b)}
    for obstacle, words in _OBSTACLES.items():
        if obstacle in obstacles:
            return words
    if all(item.kind == "continuous" for item in ranked):
        return "the opposite polarity fits nearly as well: what they share is faint or narrow in band"
    if any(item.n_used < 8 for item in ranked if item.kind == "hits"):
        return "too few clean hits"
    return "the first arrivals are too faint or too unlike to tell their sign"
