"""Scores of an estimator's document against a session's truth, and their summary per group.

Conventions: errors are absolute, in ms; a share is a fraction of the answers it is a share of; NaN-free, None
where there is nothing to count.
"""

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np
from sessions_base import PairTruth, Session

Document = Mapping[str, Any]


@dataclass(frozen=True, kw_only=True)
class PairScore:
    """One pair of one session: what was answered and whether it was right."""

    session: str
    reference: str
    other: str
    #: Related as sound in the air (hum, crosstalk and copies do not count).
    called_related: bool
    truly_related: bool | None
    decided: bool
    #: Against the true polarity; None where undecided or not known.
    polarity_right: bool | None
    polarity_known: bool
    disputed: bool
    confidence: float | None
    grade: str | None
    #: Distance to the nearest true source, and to the dominant one; None where not given or not settled.
    error_any_ms: float | None
    error_dominant_ms: float | None
    settled: bool
    #: The ± that was told, ms; None without an offset, and from estimators that tell none.
    std_ms: float | None
    #: Code of the cause that was told; None where an offset was given or no cause is told.
    untimed: str | None
    #: Share of the document's per-source offsets that lie within 0.3 ms of a true source.
    sources_right: int
    sources_given: int


def answer_of(document: Document, reference: str, other: str) -> dict[str, Any]:
    """Return the pair's answer, swapped where the document has it the other way round."""
    for pair in document["pairs"]:
        if (pair["reference"], pair["other"]) == (reference, other):
            return dict(pair)
        if (pair["reference"], pair["other"]) == (other, reference):
            offset = pair["offset_ms"]
            sources = [
                {**s, "offset_ms": None if s["offset_ms"] is None else -s["offset_ms"]}
                for s in pair["sources"]
            ]
            return {**pair, "offset_ms": None if offset is None else -offset, "sources": sources}
    return {"related": False, "offset_ms": None, "polarity": "unclear", "confidence": None, "sources": []}


def score_pair(session: str, truth: PairTruth, answer: Mapping[str, Any]) -> PairScore:
    """Score one pair."""
    decided = answer["polarity"] in {"same", "inverted"}
    offset = answer["offset_ms"]
    true_offsets = [s.offset_ms for s in truth.sources if s.offset_ms is not None]
    # Sources within 3 dB of the strongest are as good as it.
    leading = [
        s.offset_ms
        for s in truth.sources
        if s.offset_ms is not None and s.share_db >= truth.sources[0].share_db - 3
    ]
    given = [s["offset_ms"] for s in answer.get("sources", []) if s.get("offset_ms") is not None]
    near = [any(abs(g - t) <= 0.3 for t in true_offsets) for g in given]
    return PairScore(
        session=session,
        reference=truth.reference,
        other=truth.other,
        called_related=bool(answer["related"]) and answer.get("relation", "acoustic") in {"acoustic", None},
        truly_related=truth.related,
        decided=decided,
        polarity_right=answer["polarity"] == truth.polarity if decided and truth.polarity else None,
        polarity_known=truth.polarity is not None,
        disputed=truth.disputed,
        confidence=answer.get("confidence"),
        grade=answer.get("grade"),
        error_any_ms=(
            min(abs(offset - t) for t in true_offsets) if offset is not None and true_offsets else None
        ),
        error_dominant_ms=min(abs(offset - t) for t in leading) if offset is not None and leading else None,
        settled=truth.settled,
        std_ms=answer.get("offset_std_ms") if offset is not None else None,
        untimed=(answer.get("cause") or {}).get("code") if offset is None else None,
        sources_right=sum(near) if truth.settled else 0,
        sources_given=len(near) if truth.settled else 0,
    )


def score_session(session: Session, document: Document) -> list[PairScore]:
    """Score every pair of a session."""
    return [
        score_pair(session.name, truth, answer_of(document, truth.reference, truth.other))
        for truth in session.pairs
    ]


@dataclass(frozen=True, kw_only=True)
class Comparison:
    """Two answers about one pair that ought to be the same after what was injected is taken out."""

    both_decided: bool
    one_decided: bool
    sign_same: bool | None
    offset_change_ms: float | None


def compare(first: Session, first_doc: Document, second: Session, second_doc: Document) -> list[Comparison]:
    """Compare two runs (untouched and injected; two disjoint sets of hits) pair by pair."""
    result = []
    for truth in first.pairs:
        a, b = truth.reference, truth.other
        one, two = answer_of(first_doc, a, b), answer_of(second_doc, a, b)
        decided = [x["polarity"] in {"same", "inverted"} for x in (one, two)]
        signs, offsets = [], []
        for session, x in ((first, one), (second, two)):
            sign = {"same": 1, "inverted": -1}.get(x["polarity"], 0)
            signs.append(sign * session.flips[a] * session.flips[b])
            shift = session.delays_ms[b] - session.delays_ms[a]
            offsets.append(None if x["offset_ms"] is None else x["offset_ms"] - shift)
        known = offsets[0] is not None and offsets[1] is not None
        result.append(
            Comparison(
                both_decided=all(decided),
                one_decided=any(decided) and not all(decided),
                sign_same=signs[0] == signs[1] if all(decided) else None,
                offset_change_ms=abs(offsets[1] - offsets[0]) if known and all(decided) else None,
            )
        )
    return result


def closure_ms(document: Document) -> list[float]:
    """Residuals of all triangles of decided pairs, per source where the document gives sources."""
    by_source: dict[str, dict[tuple[str, str], float]] = {}
    for pair in document["pairs"]:
        key = (pair["reference"], pair["other"])
        listed = [s for s in pair["sources"] if s.get("offset_ms") is not None]
        if not listed and pair["polarity"] != "unclear" and pair["offset_ms"] is not None:
            by_source.setdefault("", {})[key] = pair["offset_ms"]
        for s in listed:
            by_source.setdefault(str(s["home"]), {})[key] = s["offset_ms"]
    residuals = []
    for offsets in by_source.values():
        names = sorted({n for key in offsets for n in key})
        both = offsets | {(b, a): -v for (a, b), v in offsets.items()}
        for a, b, c in combinations(names, 3):
            if {(a, b), (b, c), (a, c)} <= both.keys():
                residuals.append(abs(both[a, b] + both[b, c] - both[a, c]))
    return residuals


def coverage(scores: Iterable[PairScore]) -> dict[str, float] | None:
    """Share of offsets whose nearest true source lies within one and two standard deviations as told.

    Settled pairs of sound that both share; a truth that is read from recordings has an error of its own,
    which counts against the estimator.  ``width`` is the median ± over the median error, in units in which a
    normal error has 1.
    """
    rows = deviations(scores)
    if not len(rows):
        return None
    error, std = rows.T
    return {
        "within_1": float(np.mean(error <= std)),
        "within_2": float(np.mean(error <= 2 * std)),
        "count": len(rows),
        "width": float(np.median(std) / max(1.4826 * np.median(error), 1e-9)),
    }


def deviations(scores: Iterable[PairScore]) -> np.ndarray:
    """Errors of offsets and the ± told with them, ms, shape (n, 2)."""
    rows = [
        (s.error_any_ms, s.std_ms)
        for s in scores
        if s.settled and s.truly_related and s.error_any_ms is not None and s.std_ms is not None
    ]
    return np.array(rows, dtype=float).reshape(-1, 2)


def reliability(scores: Iterable[PairScore], n_bins: int = 10) -> list[dict[str, float]]:
    """Mean confidence, share right and count per bin of confidence, over decided pairs of known polarity."""
    rows = [(s.confidence, s.polarity_right) for s in scores if s.polarity_right is not None]
    rows = [(c, r) for c, r in rows if c is not None]
    bins = []
    for k in range(n_bins):
        inside = [(c, r) for c, r in rows if min(int(c * n_bins), n_bins - 1) == k]
        if inside:
            said, right = np.mean(inside, axis=0)
            bins.append({"confidence": float(said), "right": float(right), "count": len(inside)})
    return bins


def calibration_error(bins: Sequence[Mapping[str, float]]) -> float | None:
    """Return the mean of |share right - confidence| weighted by count (Guo et al., 2017)."""
    total = sum(b["count"] for b in bins)
    return sum(b["count"] * abs(b["right"] - b["confidence"]) for b in bins) / total if total else None


def area_under_curve(right: Sequence[float], wrong: Sequence[float]) -> float | None:
    """Probability that a right answer has more confidence than a wrong one (Mann and Whitney)."""
    if not right or not wrong:
        return None
    a, b = np.asarray(right)[:, None], np.asarray(wrong)[None, :]
    return float(np.mean(a > b) + 0.5 * np.mean(a == b))


def _share(values: Sequence[bool]) -> float | None:
    return float(np.mean(values)) if len(values) else None


def _errors(values: list[float]) -> dict[str, float] | None:
    if not values:
        return None
    x = np.asarray(values)
    return {
        "median": float(np.median(x)),
        "p95": float(np.percentile(x, 95)),
        **{f"within_{t}": float(np.mean(x <= t)) for t in (0.05, 0.1, 0.3, 0.5)},
        "count": len(x),
    }


def summarise(
    scores: Sequence[PairScore],
    equivariance: Sequence[Comparison] = (),
    repeats: Sequence[Comparison] = (),
    closure: Sequence[float] = (),
) -> dict[str, Any]:
    """Everything a group's line shows."""
    known = [s for s in scores if s.polarity_known and s.truly_related]
    # A pair that shares only faint sound need not be decided, but where it is, it counts.
    judged = [s for s in scores if s.polarity_right is not None and not s.disputed]
    disputed = [s for s in scores if s.polarity_right is not None and s.disputed]
    unrelated = [s for s in scores if s.truly_related is False]
    settled_all = [s for s in scores if s.settled and s.truly_related]
    settled = [s for s in settled_all if s.decided]
    bins = reliability(scores)
    right = [s.confidence for s in judged if s.polarity_right and s.confidence is not None]
    wrong = [s.confidence for s in judged if not s.polarity_right and s.confidence is not None]
    grades = [s.grade for s in known if s.decided]
    given = sum(s.sources_given for s in scores)

    def agreement(rows: Sequence[Comparison]) -> dict[str, Any]:
        signs = [c.sign_same for c in rows if c.sign_same is not None]
        changes = [c.offset_change_ms for c in rows if c.offset_change_ms is not None]
        return {
            "pairs": len(signs),
            "sign": _share([bool(x) for x in signs]),
            "within_0.1": _share([x <= 0.1 for x in changes]),
            "within_0.3": _share([x <= 0.3 for x in changes]),
            "both_timed": len(changes),
            "moved": sum(x <= 0.1 for x in changes),
            "decided_once": sum(c.one_decided for c in rows),
            "decided_any": sum(c.one_decided or c.both_decided for c in rows),
        }

    return {
        "all_pairs": len(scores),
        "pairs": len(known),
        "settled": len(settled_all),
        "timed": _share([s.error_any_ms is not None for s in settled_all]),
        "timed_right": _share(
            [s.error_dominant_ms is not None and s.error_dominant_ms <= 0.3 for s in settled_all]
        ),
        "untimed": Counter(s.untimed or "not told" for s in settled_all if s.error_any_ms is None),
        "coverage": coverage(scores),
        "decided": _share([s.decided for s in known]),
        "n_decided": len(judged),
        "wrong": sum(not s.polarity_right for s in judged),
        "disputed_wrong": f"{sum(not s.polarity_right for s in disputed)}/{len(disputed)}",
        "polarity_error": _share([not s.polarity_right for s in judged]),
        "strong": _share([g == "strong" for g in grades]) if any(grades) else None,
        "any": _errors([s.error_any_ms for s in settled if s.error_any_ms is not None]),
        "dominant": _errors([s.error_dominant_ms for s in settled if s.error_dominant_ms is not None]),
        "sources_right": sum(s.sources_right for s in scores) / given if given else None,
        "false_related": _share([s.called_related for s in unrelated]),
        "n_unrelated": len(unrelated),
        "equivariance": agreement(equivariance) if equivariance else None,
        "repeats": agreement(repeats) if repeats else None,
        "closure_median": float(np.median(closure)) if closure else None,
        "closure_within_0.1": _share([x <= 0.1 for x in closure]),
        "ece": calibration_error(bins),
        "reliability": bins,
        "auc": area_under_curve(right, wrong),
    }
