"""Two reports of one set-up to what changed between them, track by track.

A change that all pairs of a track show is the track's own: a switch thrown, a delay set, a mic moved, a
pad pressed.  Both reports are documents as `check` writes them.

Conventions: differences are new less old; an offset that grew by +1 ms means that the track now hears the
same source 1 ms later; standard deviations add in squares.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from polaritykit.base.errors import InputError

Document = Mapping[str, Any]
Verdict = Literal["worse", "better", "neutral"]
_ORDER: tuple[Verdict, ...] = ("worse", "better", "neutral")


#: A change counts from this many standard deviations on: one in some hundred pairs by chance.
SIGMAS = 3.0


#: Picks repeat to some samples at best, whatever their spread says (4 samples at 44.1 kHz).
LEAST_MS = 0.1


#: Levels of two takes differ by playing alone.
LEAST_DB = 3.0


@dataclass(frozen=True, kw_only=True)
class PairChange:
    """What one pair shows."""

    reference: str
    other: str
    #: None where the polarity is unclear in one of the two.
    turned: bool | None
    offset_change_ms: float | None
    offset_change_std_ms: float | None


@dataclass(frozen=True, kw_only=True)
class TrackChange:
    """What one track shows in all its pairs."""

    name: str
    #: Its polarity against the other tracks is the other one.
    turned: bool
    #: Later (positive) than before against the other tracks, or None.
    later_ms: float | None
    later_std_ms: float | None
    #: Change of level, dB, where it is more than playing explains.
    level_change_db: float | None
    faults_new: tuple[str, ...]
    faults_gone: tuple[str, ...]
    #: Against the older report's advice: a setting or fault less is better, one more worse.
    verdict: Verdict


@dataclass(frozen=True, kw_only=True)
class Recheck:
    """All differences of two reports; tracks that are worse first, then those that are better."""

    #: ISO 8601.
    old_created: str
    new_created: str
    missing: tuple[str, ...]
    new: tuple[str, ...]
    tracks: tuple[TrackChange, ...]
    pairs: tuple[PairChange, ...]
    compared: int


def compare(old: Document, new: Document) -> Recheck:
    """Compare two reports.

    Parameters
    ----------
    old, new : mapping
        Documents of `check`.

    Returns
    -------
    Recheck

    Raises
    ------
    InputError
        The two have no two tracks in common.
    """
    before, after = ({track["name"]: track for track in document["tracks"]} for document in (old, new))
    common = [name for name in before if name in after]
    if len(common) < 2:
        raise InputError(
            "the two reports have fewer than two track names in common: compare reports of one set-up, "
            "or give the files their old names"
        )
    pairs = _pairs(old, new)
    turned = _turned(common, pairs)
    later = _later(common, pairs)
    settings = [_settings(document) for document in (old, new)]
    tracks = [
        _track(
            name,
            before[name],
            after[name],
            turned=name in turned,
            later=later.get(name),
            settings=(settings[0].get(name), settings[1].get(name)),
        )
        for name in common
    ]
    return Recheck(
        old_created=str(old["created"]),
        new_created=str(new["created"]),
        missing=tuple(name for name in before if name not in after),
        new=tuple(name for name in after if name not in before),
        tracks=tuple(
            sorted(
                (track for track in tracks if _changed(track)),
                key=lambda track: _ORDER.index(track.verdict),
            )
        ),
        pairs=tuple(pair for pair in pairs if pair.turned or _moved(pair)),
        compared=len(pairs),
    )


def _pairs(old: Document, new: Document) -> list[PairChange]:
    """Pairs that both reports answer; offsets only where the same source spoke."""
    later = {(pair["reference"], pair["other"]): (pair, 1) for pair in new["pairs"]}
    later |= {(pair["other"], pair["reference"]): (pair, -1) for pair in new["pairs"]}
    out = []
    for pair in old["pairs"]:
        key = (pair["reference"], pair["other"])
        if key not in later or not pair["related"] or not later[key][0]["related"]:
            continue
        again, sign = later[key]
        signs = {pair["polarity"], again["polarity"]}
        change, std = _offset_change(pair, again, sign)
        if "unclear" in signs and change is None:
            continue
        out.append(
            PairChange(
                reference=key[0],
                other=key[1],
                turned=None if "unclear" in signs else signs == {"same", "inverted"},
                offset_change_ms=change,
                offset_change_std_ms=std,
            )
        )
    return out


def _offset_change(old: Document, new: Document, sign: int) -> tuple[float | None, float | None]:
    """Change of the offset by the first source that both reports time in this pair."""
    again = {source["home"]: source for source in reversed(new["sources"]) if source["offset_ms"] is not None}
    for source in old["sources"]:
        other = again.get(source["home"])
        if source["offset_ms"] is not None and other is not None:
            std = ((source["offset_std_ms"] or 0.0) ** 2 + (other["offset_std_ms"] or 0.0) ** 2) ** 0.5
            return sign * other["offset_ms"] - source["offset_ms"], std
    return None, None


def _turned(names: list[str], pairs: list[PairChange]) -> set[str]:
    """Fewest tracks whose turning explains most of the pairs that turned and that did not.

    Only pairs that are clear in both reports have a say.  Flipping, one after the other, whatever track most
    of its pairs speak against ends where none is outvoted by its pairs; of each group that hangs together
    by such pairs the smaller side has turned.
    """
    index = {name: number for number, name in enumerate(names)}
    said = np.zeros((len(names), len(names)))
    for pair in pairs:
        if pair.turned is not None and {pair.reference, pair.other} <= set(names):
            a, b = index[pair.reference], index[pair.other]
            said[a, b] = said[b, a] = -1.0 if pair.turned else 1.0
    side = np.ones(len(names))
    while True:
        against = -side * (said @ side)
        worst = int(np.argmax(against))
        if against[worst] <= 0.0:
            break
        side[worst] = -side[worst]
    turned: set[str] = set()
    for group in _groups(said != 0.0):
        minus = {number for number in group if side[number] < 0.0}
        turned |= {names[number] for number in (minus if 2 * len(minus) <= len(group) else group - minus)}
    return turned


def _groups(linked: NDArray[np.bool_]) -> list[set[int]]:
    """Tracks that hang together."""
    label = np.arange(len(linked))
    for a, b in np.argwhere(linked):
        label[label == label[b]] = label[a]
    return [set(np.flatnonzero(label == found).tolist()) for found in np.unique(label)]


def _moved(pair: PairChange) -> bool:
    if pair.offset_change_ms is None or pair.offset_change_std_ms is None:
        return False
    return abs(pair.offset_change_ms) > max(LEAST_MS, SIGMAS * pair.offset_change_std_ms)


def _later(names: list[str], pairs: list[PairChange]) -> dict[str, tuple[float, float]]:
    """Tracks that moved in time, with how much and its uncertainty.

    One move per track is fitted to all pairs, by least squares with outliers weighed down (a pair may have
    changed its source), and taken against the largest set of tracks that kept their timing together.
    """
    index = {name: number for number, name in enumerate(names)}
    used = [p for p in pairs if p.offset_change_ms is not None and {p.reference, p.other} <= set(names)]
    if not any(_moved(pair) for pair in used):
        return {}
    design = np.zeros((len(used), len(names)))
    for row, pair in zip(design, used, strict=True):
        row[index[pair.other]], row[index[pair.reference]] = 1.0, -1.0
    change = np.array([pair.offset_change_ms or 0.0 for pair in used])
    weight = np.ones(len(used))
    for _ in range(30):
        moves = np.linalg.lstsq(design * weight[:, None], change * weight, rcond=None)[0]
        # Weights 1/|residual| make it the least sum of absolute residuals (iteratively reweighted).
        weight = 1.0 / np.sqrt(np.maximum(np.abs(change - design @ moves), LEAST_MS / 100))
    together = [int(np.sum(np.abs(moves - move) <= LEAST_MS)) for move in moves]
    moves = moves - np.median(moves[np.abs(moves - moves[int(np.argmax(together))]) <= LEAST_MS])
    out = {}
    for name, number in index.items():
        own = [pair.offset_change_std_ms or 0.0 for pair in used if name in (pair.reference, pair.other)]
        if own and abs(moves[number]) > LEAST_MS:
            out[name] = float(moves[number]), max(float(np.median(own)), 0.02)
    return out


def _settings(document: Document) -> dict[str, Document]:
    return {track["name"]: track for track in document["corrections"]["tracks"]}


def _track(
    name: str,
    old: Document,
    new: Document,
    *,
    turned: bool,
    later: tuple[float, float] | None,
    settings: tuple[Document | None, Document | None],
) -> TrackChange:
    first, second = old.get("rms_dbfs"), new.get("rms_dbfs")
    level = float(second) - float(first) if first is not None and second is not None else 0.0
    faults_new = tuple(sorted(set(new["faults"]) - set(old["faults"])))
    faults_gone = tuple(sorted(set(old["faults"]) - set(new["faults"])))
    asked = [_asks(setting) for setting in settings]
    worse = bool(faults_new) or (asked[1] is True and asked[0] is False)
    better = bool(faults_gone) or (asked[0] is True and asked[1] is False)
    return TrackChange(
        name=name,
        turned=turned,
        later_ms=later[0] if later else None,
        later_std_ms=later[1] if later else None,
        level_change_db=level if abs(level) > LEAST_DB else None,
        faults_new=faults_new,
        faults_gone=faults_gone,
        verdict="worse" if worse else ("better" if better else "neutral"),
    )


def _asks(setting: Document | None) -> bool | None:
    """Whether a report asks for a flip or a shift of a track; None where it was not judged."""
    if setting is None:
        return None
    if setting["invert"] or setting.get("status") == "set":
        return True
    return False if setting.get("status") == "agrees" else None


def _changed(track: TrackChange) -> bool:
    return (
        track.turned
        or track.later_ms is not None
        or track.level_change_db is not None
        or bool(track.faults_new or track.faults_gone)
        or track.verdict != "neutral"
    )
