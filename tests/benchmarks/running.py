"""A benchmark's cases, run through an estimator: what is to be scored, and the tally of what was.

Conventions: ``development``, ``report`` and ``all`` use hits, rooms and seeds that never meet.
"""

import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from references import Estimator
from scoring import Comparison, Document, PairScore, closure_ms, compare, score_session
from sessions_base import Session


@dataclass(frozen=True, kw_only=True)
class Case:
    """A session to score, and what it is to be compared with."""

    session: Session
    #: The same session without flips and delays.
    untouched: Session | None = None
    #: Two sessions of disjoint hits, or halves of the take.
    halves: tuple[Session, Session] | None = None
    #: Extra numbers from the document (drift, steps, the bound), averaged over the group.
    extra: Callable[[Document], dict[str, float]] | None = None


@dataclass(frozen=True, kw_only=True)
class Group:
    """A set of cases; `cases(seeds, split)` makes them one at a time."""

    cases: Callable[[Sequence[int], str], Iterator[Case]]
    #: Seeds in a full and in a quick run.
    seeds: int
    quick: int
    needs_recordings: bool = False
    #: Which row of the accuracy goals the group stands for.
    goal: str = ""


@dataclass
class Tally:
    """What one estimator did on one group."""

    scores: list[PairScore] = field(default_factory=list)
    equivariance: list[Comparison] = field(default_factory=list)
    repeats: list[Comparison] = field(default_factory=list)
    closure: list[float] = field(default_factory=list)
    extras: list[dict[str, float]] = field(default_factory=list)
    seconds: list[float] = field(default_factory=list)
    audio_seconds: list[float] = field(default_factory=list)


def in_halves(session: Session) -> tuple[Session, Session]:
    """First and second half of the take."""
    n = len(next(iter(session.tracks.values()))) // 2
    return (
        replace(session, tracks={k: x[:n] for k, x in session.tracks.items()}),
        replace(session, tracks={k: x[n:] for k, x in session.tracks.items()}),
    )


def of_split(seed: int, split: str) -> int:
    """Seeds of development and report never meet."""
    return seed + {"report": 0, "development": 10_000, "all": 20_000}[split]


def ours(tracks: Mapping[str, np.ndarray], sample_rate_hz: int, *, share: float = 1.0) -> dict[str, object]:
    """Run the estimator of record, on all of the audio or on a share of it that spreads over the take."""
    import polaritykit
    from polaritykit.analysis import Settings
    from polaritykit.jobs.check.document import build_document

    length_s = min(map(len, tracks.values())) / sample_rate_hz
    settings = Settings(listen_s=share * length_s if share < 1.0 else None)
    found = polaritykit.analyse_arrays(tracks, sample_rate_hz=sample_rate_hz, settings=settings)
    return build_document(found)


def run_case(case: Case, estimate: Estimator, tally: Tally) -> None:
    """Add one case's scores to the tally."""
    session = case.session
    started = time.perf_counter()
    document: Document = estimate(session.tracks, session.sample_rate_hz)
    tally.seconds.append(time.perf_counter() - started)
    tally.audio_seconds.append(len(next(iter(session.tracks.values()))) / session.sample_rate_hz)
    tally.scores += score_session(session, document)
    tally.closure += closure_ms(document)
    if case.extra is not None:
        tally.extras.append(case.extra(document))
    if case.untouched is not None:
        other = estimate(case.untouched.tracks, session.sample_rate_hz)
        tally.equivariance += compare(case.untouched, other, session, document)
    if case.halves is not None:
        first, second = case.halves
        documents = [estimate(h.tracks, h.sample_rate_hz) for h in case.halves]
        tally.repeats += compare(first, documents[0], second, documents[1])


def run_group(
    group: Group, chosen: Mapping[str, Estimator], seeds: Sequence[int], split: str
) -> dict[str, Tally]:
    """Run every chosen estimator on every case of a group."""
    tallies = {n: Tally() for n in chosen}
    for case in group.cases(seeds, split):
        for name, estimate in chosen.items():
            run_case(case, estimate, tallies[name])
    return tallies
