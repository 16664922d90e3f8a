"""Flips and shifts to one setting per track, against an anchor that keeps its timing.

Conventions: shifts are signed; delays are the same with the earliest track at zero, for a desk.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from heapq import nsmallest

import numpy as np

from polaritykit.base.track_names import is_direct, is_overhead, is_underside
from polaritykit.decide.agreement import Agreement
from polaritykit.decide.conclusion import DECIDE_MARGIN, Conclusion
from polaritykit.decide.findings import Corrections, Loop, OctaveLoss, Outvoted, Rule, TrackCorrection
from polaritykit.decide.flips import groups_of, side_to_flip
from polaritykit.decide.scene import Copy
from polaritykit.decide.setting import MOVED, NOT_JUDGED, Flip, Loss, Shift, ShiftReason, Status
from polaritykit.decide.worth import OPTIONAL_DB

Pairs = Mapping[tuple[int, int], Conclusion]


def choose_anchor(names: tuple[str, ...], pairs: Pairs, linked: tuple[tuple[str, str], ...]) -> int | None:
    """Track that keeps its timing: an overhead where there is one, else the one most others relate to.

    Parameters
    ----------
    names : tuple of str
        In session order.
    pairs : mapping of (a, b), a < b, to Conclusion
    linked : pairs of names
        Of a stereo pair the left one is taken.

    Returns
    -------
    int or None
        None where no two tracks are related.
    """
    related = np.zeros(len(names))
    for (a, b), conclusion in pairs.items():
        if conclusion.related:
            related[a] += 1
            related[b] += 1
    if not related.any():
        return None
    partners = {name for pair in linked for name in pair}
    overheads = [index for index, name in enumerate(names) if is_overhead(name) and related[index]]
    if overheads:
        return _left_side(
            max(overheads, key=lambda index: (names[index] in partners, related[index])), names, linked
        )
    # Among equals the later track: delaying the early ones is what a desk can do.
    lateness = np.zeros(len(names))
    for (a, b), conclusion in pairs.items():
        if conclusion.related and conclusion.offset_s is not None:
            lateness[b] += conclusion.offset_s
            lateness[a] -= conclusion.offset_s
    latest = int(max(range(len(names)), key=lambda index: (related[index], lateness[index])))
    return _left_side(latest, names, linked)


def _left_side(track: int, names: tuple[str, ...], linked: tuple[tuple[str, str], ...]) -> int:
    """Of a stereo pair always the left side, so that it does not depend on chance which one is flipped."""
    return next((names.index(pair[0]) for pair in linked if names[track] in pair), track)


def flips_of(
    names: tuple[str, ...],
    pairs: Pairs,
    *,
    agreement: Agreement | None,
    linked: tuple[tuple[str, str], ...],
    anchor: int | None,
    copies: tuple[Copy, ...] = (),
    upright: Mapping[int, float] | None = None,
) -> tuple[Flip, ...]:
    """Decide which tracks to flip: within each group of decided pairs the side that costs least.

    Parameters
    ----------
    names : tuple of str
    pairs : mapping of (a, b), a < b, to Conclusion
    agreement : Agreement or None
    linked : pairs of names
    anchor : int or None
    copies : tuple of Copy
        They flip with their originals.
    upright : mapping of int to float, optional
        Log odds that a track itself is the right way round, as a close voice tells.

    Returns
    -------
    tuple of Flip
        One per track; `known` against the anchor's group.
    """
    n = len(names)
    found = [Flip(invert=False, known=False)] * n
    if agreement is not None:
        _, pair_of_anchor, *_ = protected = _protected(names, linked, anchor)
        decided = [key for key, pair in pairs.items() if pair.polarity != "unclear"]
        says = dict(upright or {})
        # The anchor's group first: what the others lean to counts against the anchor as it ends.
        for group in sorted(groups_of(n, decided), key=lambda tracks: anchor not in tracks):
            chosen = side_to_flip(group, agreement.signs.tolist(), protected=protected, upright=says)
            if anchor in group:
                says = _leaning(agreement, anchor, inverted=anchor in chosen, upright=upright or {})
            for track in group:
                known = bool(pair_of_anchor & set(group)) and len(group) > 1
                found[track] = Flip(invert=False, known=known)
            # Two equal sides, and nothing that knows which of them is upside down.
            tie = 2 * len(chosen) == len(group) and not any((upright or {}).get(track) for track in group)
            for track in chosen:
                others = [other for other in group if other not in chosen]
                sure = max((abs(float(agreement.margin[track, other])) for other in others), default=0.0)
                if sure >= DECIDE_MARGIN:
                    found[track] = _flip(names, pairs, track, others, known=bool(pair_of_anchor & set(group)))
                    found[track] = replace(found[track], tie=tie)
                else:
                    found[track] = Flip(invert=False, known=False)
    for copy in copies:
        original = found[copy.original]
        if copy.filtered and found[copy.track].known:
            # A filter turns the phase as well: the evidence on the pair's sign is better than one peak.
            continue
        invert = original.invert != copy.inverted
        found[copy.track] = Flip(
            invert=invert,
            known=original.known,
            reason=("copy" if original.invert else "inverted") if invert else None,
            against=1,
            about=copy.original,
        )
    return tuple(found)


def _protected(
    names: tuple[str, ...], linked: tuple[tuple[str, str], ...], anchor: int | None
) -> tuple[set[int], ...]:
    """Tracks not to be flipped where another choice is equal, those that matter most first."""
    main = set() if anchor is None else {anchor}
    image = main | {
        names.index(name) for pair in linked if anchor is not None and names[anchor] in pair for name in pair
    }
    return (
        main,
        image,
        {t for t, name in enumerate(names) if is_overhead(name)},
        {names.index(name) for pair in linked for name in pair},
        {t for t, name in enumerate(names) if is_direct(name)},
        # Of two sides that are equal in all else, a mic under a drum is the one that is turned by nature.
        {t for t, name in enumerate(names) if not is_underside(name)},
    )


def _leaning(
    agreement: Agreement, anchor: int, *, inverted: bool, upright: Mapping[int, float]
) -> dict[int, float]:
    """Add what evidence says of every track against the anchor, too little to decide a pair by.

    Of two sides that take as many flips, the one it leans to is more often right than a convention, and
    stays the same one however the tracks were wired.
    """
    lean = agreement.margin[anchor] * (-1.0 if inverted else 1.0)
    return {track: float(lean[track]) + upright.get(track, 0.0) for track in range(len(lean))}


def _flip(names: tuple[str, ...], pairs: Pairs, track: int, others: list[int], *, known: bool) -> Flip:
    """Say what a flip rests on: wiring, the mic's place, or one source that cannot tell the two apart."""
    flip = Flip(invert=True, known=known, reason="inverted", against=len(others))
    if is_underside(names[track]):
        return replace(flip, reason="underside")
    partners = [pairs[min(track, other), max(track, other)] for other in others]
    decided = [pair for pair in partners if pair.polarity != "unclear" and pair.main is not None]
    homes = {source.home for pair in decided for source in pair.sources if source.polarity != "unclear"}
    if len(homes) == 1 and len(others) > 1 and not any(pair.strong for pair in decided):
        return replace(flip, reason="one_source", about=names.index(homes.pop()))
    return flip


def corrections_of(
    names: tuple[str, ...],
    pairs: Pairs,
    *,
    flips: Sequence[Flip],
    shifts: Sequence[Shift],
    anchor: int | None,
    sample_rate_hz: int,
    by_own_strokes: Sequence[int] = (),
) -> Corrections:
    """Put flips and shifts together to one setting per track.

    Parameters
    ----------
    names : tuple of str
    pairs : mapping of (a, b), a < b, to Conclusion
    flips, shifts : sequence
        One per track.
    anchor : int or None
    sample_rate_hz : int
    by_own_strokes : sequence of int
        Tracks whose source was not told apart but is heard by strokes that are theirs alone.

    Returns
    -------
    Corrections
        Delays are the shifts with the earliest brought to zero, of all tracks alike: nothing slips.
    """
    earliest = min((shift.shift_s for shift in shifts), default=0.0)
    tracks = []
    for index, name in enumerate(names):
        flip, shift = flips[index], shifts[index]
        delay_s = shift.shift_s - earliest
        optional = _optional(shift)
        status = _status(flip, shift)
        tracks.append(
            TrackCorrection(
                name=name,
                invert=flip.invert,
                delay_ms=delay_s * 1e3,
                delay_samples=delay_s * sample_rate_hz,
                late_ms=None if shift.reason in NOT_JUDGED or shift.reason == "far" else -shift.shift_s * 1e3,
                rule=_RULES.get(shift.reason),
                shift_ms=shift.shift_s * 1e3,
                status=status,
                reason=shift.reason if status != "not judged" or shift.reason in NOT_JUDGED else "sign_open",
                flip_reason=flip.reason,
                flip_against=flip.against if flip.invert else 0,
                flip_about=_named(flip.about, names) if flip.invert else None,
                flip_tie=flip.tie,
                weight="set" if status == "set" else ("optional" if optional is not None else None),
                optional_shift_ms=None if optional is None else optional * 1e3,
                own_late_ms=None if shift.late_s is None else shift.late_s * 1e3,
                gain_db=shift.gain_db,
                about=_named(shift.about, names),
                late_samples=shift.late_samples,
                sum_of=tuple(names[part] for part in shift.sum_of),
                either_ms=None
                if shift.either_s is None
                else (shift.either_s[0] * 1e3, shift.either_s[1] * 1e3),
                loss=_octave_loss(shift.loss, names) if shift.reason == "harm" and shift.loss else None,
                losses=tuple(_octave_loss(loss, names) for loss in shift.losses),
            )
        )
    return Corrections(
        anchor=names[anchor] if anchor is not None else None,
        tracks=tuple(tracks),
        groups=_groups(names, pairs),
        outvoted=_outvoted(names, pairs),
        loops=_loops(names, pairs),
        by_own_strokes=tuple(names[track] for track in by_own_strokes),
    )


#: Reasons as the older field of the document tells them.
_RULES: dict[ShiftReason, Rule] = {
    "coincide": "arrival",
    "together": "arrival",
    "fuller": "fullest",
    "octave": "own octave",
    "small_gain": "no gain",
    "harm": "harm",
}


def _status(flip: Flip, shift: Shift) -> Status:
    if flip.invert or (shift.reason in MOVED and shift.shift_s):
        return "set"
    return "agrees" if flip.known and shift.reason not in NOT_JUDGED else "not judged"


def _optional(shift: Shift) -> float | None:
    """Shift that would gain a little and cost nothing."""
    if shift.reason != "small_gain" or shift.looked_at_s is None or shift.loss is None:
        return None
    gains = (shift.gain_db or 0.0) >= OPTIONAL_DB and -shift.loss.change_db <= OPTIONAL_DB
    return shift.looked_at_s if gains else None


def _named(track: int | None, names: tuple[str, ...]) -> str | None:
    return None if track is None else names[track]


def _octave_loss(loss: Loss, names: tuple[str, ...]) -> OctaveLoss:
    return OctaveLoss(
        home=names[loss.home],
        octave_hz=loss.octave_hz,
        db=loss.change_db,
        std_db=loss.std_db or None,
        where=loss.where,
    )


def _groups(names: tuple[str, ...], pairs: Pairs) -> tuple[tuple[str, ...], ...]:
    """Tracks connected by related pairs, in session order; single tracks left out."""
    group = list(range(len(names)))
    for (a, b), conclusion in pairs.items():
        if conclusion.related and group[a] != group[b]:
            old, new = group[b], group[a]
            group = [new if label == old else label for label in group]
    members = [
        tuple(names[i] for i in range(len(names)) if group[i] == label) for label in dict.fromkeys(group)
    ]
    return tuple(member for member in members if len(member) > 1)


def _outvoted(names: tuple[str, ...], pairs: Pairs) -> tuple[Outvoted, ...]:
    found = []
    for (a, b), conclusion in pairs.items():
        against = [source for source in conclusion.sources if source.dissents]
        if against:
            found.append(
                Outvoted(
                    reference=names[a],
                    other=names[b],
                    homes=tuple(dict.fromkeys(source.home for source in against)),
                    polarity=against[0].polarity,
                )
            )
    return tuple(found)


def _loops(names: tuple[str, ...], pairs: Pairs, most: int = 10) -> tuple[Loop, ...]:
    """Return the loops of three tracks with one main source that close worst."""
    worst = nsmallest(most, _residuals_ms(names, pairs, most), key=lambda loop: -abs(loop[1]))
    return tuple(
        Loop(tracks=(names[a], names[b], names[c]), residual_ms=residual_ms)
        for (a, b, c), residual_ms in worst
    )


def _residuals_ms(
    names: tuple[str, ...], pairs: Pairs, most: int
) -> Iterator[tuple[tuple[int, int, int], float]]:
    """Yield loops of three tracks, in order, and what each leaves; the worst of each first track."""
    homes: dict[str, int] = {}
    offset_s = np.full((len(names), len(names)), np.nan)
    home, struck = np.zeros(offset_s.shape, np.int64), np.zeros(offset_s.shape, dtype=bool)
    for pair, item in pairs.items():
        if item.offset_s is not None and item.main is not None:
            offset_s[pair], struck[pair] = item.offset_s, item.main.kind == "hits"
            home[pair] = homes.setdefault(item.main.home, len(homes))
    for a in range(len(names)):
        later = np.flatnonzero(np.isfinite(offset_s[a]))
        among, to = np.ix_(later, later), (a, later[:, None])
        left_ms = (offset_s[to] + offset_s[among] - offset_s[a, later]) * 1e3
        one_home = (home[to] == home[among]) & (home[among] == home[a, later])
        any_struck = struck[to] | struck[among] | struck[a, later]
        b, c = np.nonzero(np.isfinite(left_ms) & (one_home | ~any_struck))
        sizes = np.abs(left_ms[b, c])
        least = np.partition(sizes, -most)[-most] if len(sizes) > most else 0.0
        for place in np.flatnonzero(sizes >= least - 1e-8).tolist():
            second, third = later[b[place]], later[c[place]]
            # Those that close alike but for rounding stay in order.
            yield (a, int(second), int(third)), round(float(left_ms[b[place], c[place]]), 9) + 0.0
