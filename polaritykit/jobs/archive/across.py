"""Records of many sessions to what comes again and again.

Conventions: names are compared without case and without a leading number (``07 OH L`` is ``oh l``).
"""

import re
import statistics
from array import array
from collections import Counter, defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field

from polaritykit.jobs.archive.findings import Across, Clipping, Inverted, Wandering
from polaritykit.jobs.archive.records import PairRecord, SessionRecord

#: One session proves nothing of a cable.
_LEAST = 2
#: Of a median, and of leaving it.
_LEAST_PAIRS = 3
#: Three standard uncertainties are left by chance once in 370; of a tenth of a millisecond nobody
#: need know (3 cm of a stand, common practice, no source).
_SIGMAS, _LEAST_MS = 3.0, 0.1


@dataclass(frozen=True, kw_only=True)
class _Timed:
    """Offsets of one pair of names: thousands of sessions have it, so numbers only."""

    sessions: "array[int]" = field(default_factory=lambda: array("L"))
    offsets_ms: "array[float]" = field(default_factory=lambda: array("d"))
    stds_ms: "array[float]" = field(default_factory=lambda: array("d"))


def across(records: Iterable[SessionRecord]) -> Across:
    """Count over sessions.

    Parameters
    ----------
    records : iterable of SessionRecord
        Those that failed tell nothing.  Looked at once, one after the other.
    """
    sessions: list[str] = []
    having: Counter[str] = Counter()
    turned: dict[str, list[str]] = defaultdict(list)
    clipped: dict[str, list[str]] = defaultdict(list)
    timed: dict[tuple[str, str], _Timed] = defaultdict(_Timed)
    for number, record in enumerate(records):
        sessions.append(record.session)
        for track in record.tracks:
            name = _known_as(track.name)
            having[name] += 1
            if track.invert and track.flip_reason == "inverted":
                turned[name].append(record.session)
            if "clipped" in track.faults:
                clipped[name].append(record.session)
        for pair in record.pairs:
            _add_offset(timed, number, pair)
    wandering = (_wandering(names, found, sessions) for names, found in timed.items())
    return Across(
        inverted=tuple(
            Inverted(name=name, sessions=having[name], inverted=tuple(found))
            for name, found in _commonest(turned)
            if 2 * len(found) > having[name]
        ),
        clipping=tuple(
            Clipping(name=name, sessions=having[name], clipped=tuple(found))
            for name, found in _commonest(clipped)
        ),
        wandering=tuple(
            sorted(
                filter(None, wandering),
                key=lambda item: (-len(item.elsewhere), item.reference, item.other),
            )
        ),
    )


def _known_as(name: str) -> str:
    return re.sub(r"^\d+[ ._-]+", "", name).casefold()


def _commonest(found: dict[str, list[str]]) -> list[tuple[str, list[str]]]:
    several = [(name, sessions) for name, sessions in found.items() if len(sessions) >= _LEAST]
    return sorted(several, key=lambda item: (-len(item[1]), item[0]))


def _add_offset(timed: dict[tuple[str, str], _Timed], session: int, pair: PairRecord) -> None:
    if pair.offset_ms is None or pair.offset_std_ms is None:
        return
    a, b = _known_as(pair.reference), _known_as(pair.other)
    found = timed[min(a, b), max(a, b)]
    found.sessions.append(session)
    found.offsets_ms.append(pair.offset_ms if a <= b else -pair.offset_ms)
    found.stds_ms.append(pair.offset_std_ms)


def _wandering(names: tuple[str, str], found: _Timed, sessions: list[str]) -> Wandering | None:
    if len(found.sessions) < _LEAST_PAIRS:
        return None
    median = statistics.median(found.offsets_ms)
    elsewhere = tuple(
        (sessions[session], offset)
        for session, offset, std in zip(found.sessions, found.offsets_ms, found.stds_ms, strict=True)
        if abs(offset - median) > _LEAST_MS + _SIGMAS * std
    )
    if not elsewhere:
        return None
    return Wandering(
        reference=names[0],
        other=names[1],
        sessions=len(found.sessions),
        median_ms=median,
        elsewhere=elsewhere,
    )
