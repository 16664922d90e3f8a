"""Records of many sessions to what comes again and again.

Conventions: names are compared without case and without a leading number (``07 OH L`` is ``oh l``).
"""

import re
import statistics
from collections import defaultdict
from collections.abc import Iterable

from polaritykit.jobs.archive.findings import Across, Clipping, Inverted, Wandering
from polaritykit.jobs.archive.records import PairRecord, SessionRecord

#: One session proves nothing of a cable.
_LEAST = 2
#: Of a median, and of leaving it.
_LEAST_PAIRS = 3
#: Three standard uncertainties are left by chance once in 370; of a tenth of a millisecond nobody
#: need know (3 cm of a stand, common practice, no source).
_SIGMAS, _LEAST_MS = 3.0, 0.1


def across(records: Iterable[SessionRecord]) -> Across:
    """Count over sessions.

    Parameters
    ----------
    records : iterable of SessionRecord
        Those that failed tell nothing.
    """
    having: dict[str, list[str]] = defaultdict(list)
    turned: dict[str, list[str]] = defaultdict(list)
    clipped: dict[str, list[str]] = defaultdict(list)
    offsets: dict[tuple[str, str], list[tuple[str, float, float]]] = defaultdict(list)
    for record in records:
        for track in record.tracks:
            name = _known_as(track.name)
            having[name].append(record.session)
            if track.invert and track.flip_reason == "inverted":
                turned[name].append(record.session)
            if "clipped" in track.faults:
                clipped[name].append(record.session)
        for pair in record.pairs:
            _add_offset(offsets, record.session, pair)
    return Across(
        inverted=tuple(
            Inverted(name=name, sessions=len(having[name]), inverted=tuple(sessions))
            for name, sessions in _commonest(turned)
            if 2 * len(sessions) > len(having[name])
        ),
        clipping=tuple(
            Clipping(name=name, sessions=len(having[name]), clipped=tuple(sessions))
            for name, sessions in _commonest(clipped)
        ),
        wandering=tuple(
            sorted(filter(None, map(_wandering, offsets.items())), key=lambda item: -len(item.elsewhere))
        ),
    )


def _known_as(name: str) -> str:
    return re.sub(r"^\d+[ ._-]+", "", name).casefold()


def _commonest(found: dict[str, list[str]]) -> list[tuple[str, list[str]]]:
    several = [(name, sessions) for name, sessions in found.items() if len(sessions) >= _LEAST]
    return sorted(several, key=lambda item: (-len(item[1]), item[0]))


def _add_offset(
    offsets: dict[tuple[str, str], list[tuple[str, float, float]]], session: str, pair: PairRecord
) -> None:
    if pair.offset_ms is None or pair.offset_std_ms is None:
        return
    a, b = _known_as(pair.reference), _known_as(pair.other)
    sign = 1.0 if a <= b else -1.0
    key = (a, b) if a <= b else (b, a)
    offsets[key].append((session, sign * pair.offset_ms, pair.offset_std_ms))


def _wandering(item: tuple[tuple[str, str], list[tuple[str, float, float]]]) -> Wandering | None:
    (a, b), found = item
    if len(found) < _LEAST_PAIRS:
        return None
    median = statistics.median(offset for _, offset, _ in found)
    elsewhere = tuple(
        (session, offset)
        for session, offset, std in found
        if abs(offset - median) > _LEAST_MS + _SIGMAS * std
    )
    if not elsewhere:
        return None
    return Wandering(reference=a, other=b, sessions=len(found), median_ms=median, elsewhere=elsewhere)
