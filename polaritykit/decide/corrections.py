"""Conclusions on all pairs to one flip and one delay per track, against an anchor that keeps its timing.

Conventions: delays are ≥ 0 and given to early tracks; the latest track that is aligned sets zero.  Of the
two global signs the one with fewer flips is taken: relative polarity alone cannot tell them apart.
"""

from collections.abc import Mapping
from itertools import combinations

import numpy as np

from polaritykit.base.track_names import is_overhead, is_underside
from polaritykit.decide.agreement import Agreement
from polaritykit.decide.conclusion import Conclusion
from polaritykit.decide.findings import Corrections, Loop, Outvoted, TrackCorrection
from polaritykit.decide.lateness import lateness
from polaritykit.decide.settings import AdviceSettings, AgreementSettings, AlignmentSettings
from polaritykit.evidence.source import SourceEvidence
from polaritykit.spectra.main_octave import SumTarget

Pairs = Mapping[tuple[int, int], Conclusion]
_ALIGNMENT = AlignmentSettings()


def choose_anchor(names: tuple[str, ...], pairs: Pairs, linked: tuple[tuple[str, str], ...]) -> int | None:
    """Track that keeps its timing: an overhead where there is one, else the one most others relate to."""
    related = np.zeros(len(names))
    for (a, b), conclusion in pairs.items():
        if conclusion.related:
            related[a] += 1
            related[b] += 1
    if not related.any():
        return None
    overheads = [index for index, name in enumerate(names) if is_overhead(name) and related[index]]
    if overheads:
        partners = {name for pair in linked for name in pair}
        return max(overheads, key=lambda index: (names[index] in partners, related[index]))
    # Among equals the later track: delaying the early ones is what a desk can do.
    lateness = np.zeros(len(names))
    for (a, b), conclusion in pairs.items():
        if conclusion.related and conclusion.offset_s is not None:
            lateness[b] += conclusion.offset_s
            lateness[a] -= conclusion.offset_s
    return int(max(range(len(names)), key=lambda index: (related[index], lateness[index])))


def correct(
    names: tuple[str, ...],
    pairs: Pairs,
    *,
    evidence: tuple[SourceEvidence, ...],
    agreement: Agreement | None,
    linked: tuple[tuple[str, str], ...],
    anchor: int | None,
    sample_rate_hz: int,
    settings: AdviceSettings,
    signs: AgreementSettings,
    targets: tuple[SumTarget, ...] = (),
    alignment: AlignmentSettings = _ALIGNMENT,
) -> Corrections:
    """Make one consistent set of settings.

    Parameters
    ----------
    names : tuple of str
    pairs : mapping of (a, b), a < b, to Conclusion
    evidence : tuple of SourceEvidence
    agreement : Agreement or None
    linked : pairs of names that move together
    anchor : int or None
        Track that keeps its timing.
    sample_rate_hz : int
    settings : AdviceSettings
    signs : AgreementSettings
    targets : tuple of SumTarget, optional
        Main octaves of the tracks in the sum; without them first arrivals are taken as they are.
    alignment : AlignmentSettings, optional

    Returns
    -------
    Corrections
    """
    flips, flip_why = _flips(names, pairs, agreement, signs)
    late_s, delay_why, rules = lateness(
        names,
        pairs,
        evidence,
        signs=np.where(flips, -1.0, 1.0),
        targets=targets,
        linked=linked,
        anchor=anchor,
        settings=settings,
        alignment=alignment,
    )
    groups = _groups(names, pairs)
    moving = {name for group in groups if anchor is not None and names[anchor] in group for name in group}
    latest = max([value for value in late_s if value is not None], default=0.0)
    tracks = []
    for index, name in enumerate(names):
        own = late_s[index]
        # What keeps its lateness keeps it against the anchor, which may have to wait for a late track.
        delay_s = latest - (own or 0.0) if name in moving else 0.0
        why = "; ".join(part for part in (flip_why[index], delay_why[index]) if part)
        delay_ms = delay_s * 1e3 if delay_s * 1e3 >= settings.least_delay_ms / 2 else 0.0
        tracks.append(
            TrackCorrection(
                name=name,
                invert=flips[index],
                delay_ms=delay_ms,
                delay_samples=delay_ms * 1e-3 * sample_rate_hz,
                late_ms=own * 1e3 if own is not None else None,
                rule=rules.get(index),
                why=why or ("waits for the latest track" if delay_ms else "nothing to correct"),
            )
        )
    return Corrections(
        anchor=names[anchor] if anchor is not None else None,
        tracks=tuple(tracks),
        groups=groups,
        outvoted=_outvoted(names, pairs),
        loops=_loops(names, pairs),
    )


def _flips(
    names: tuple[str, ...], pairs: Pairs, agreement: Agreement | None, signs: AgreementSettings
) -> tuple[list[bool], list[str]]:
    """Tracks to flip: within each group of decided pairs the smaller side."""
    n = len(names)
    flips, why = [False] * n, [""] * n
    if agreement is None:
        return flips, why
    left = set(range(n))
    decided = {(a, b) for (a, b), c in pairs.items() if c.polarity != "unclear"}
    decided |= {(b, a) for a, b in decided}
    while left:
        group, todo = set(), [min(left)]
        while todo:
            track = todo.pop()
            if track not in group:
                group.add(track)
                todo += [other for other in left if (track, other) in decided]
        left -= group
        minus = {track for track in group if agreement.signs[track] != agreement.signs[min(group)]}
        chosen = minus if len(minus) * 2 <= len(group) else group - minus
        for track in sorted(chosen):
            margins = [abs(float(agreement.margin[track, other])) for other in group - chosen]
            flips[track] = max(margins, default=0.0) >= signs.decide_margin
            if flips[track]:
                partners = [pairs[min(track, other), max(track, other)] for other in group - chosen]
                tie = " (or all the others of its group)" if len(chosen) * 2 == len(group) else ""
                why[track] = _flip_words(names[track], partners) + tie
    return flips, why


def _flip_words(name: str, partners: list[Conclusion]) -> str:
    """Say what a flip rests on: wiring, the mic's place, or one source that cannot tell the two apart."""
    others = f"{len(partners)} other track{'s' if len(partners) > 1 else ''}"
    if is_underside(name):
        return (
            f"inverted against {others}, as a mic under a drum is by nature: flip it for the sum, "
            "no cable needs mending"
        )
    decided = [pair for pair in partners if pair.polarity != "unclear" and pair.main is not None]
    homes = {source.home for pair in decided for source in pair.sources if source.polarity != "unclear"}
    if len(homes) == 1 and len(partners) > 1 and not any(pair.strong for pair in decided):
        return (
            f"inverted against {others} for {homes.pop()} alone: flip it for the sum; before mending a cable "
            "see whether this mic hears it from its other side"
        )
    return f"inverted against {others}"


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
            homes = ", ".join(dict.fromkeys(source.home for source in against))
            word = "inverted" if against[0].polarity == "inverted" else "with the same polarity"
            found.append(
                Outvoted(
                    reference=names[a],
                    other=names[b],
                    why=f"{homes} is heard {word} here, against the other sources: "
                    "one of the two mics hears it from its other side, or its first arrival is lost",
                )
            )
    return tuple(found)


def _loops(names: tuple[str, ...], pairs: Pairs, most: int = 10) -> tuple[Loop, ...]:
    """Return the loops of three tracks with one main source that close worst."""
    loops = []
    for a, b, c in combinations(range(len(names)), 3):
        three = [pairs[a, b], pairs[b, c], pairs[a, c]]
        if any(item.offset_s is None or item.main is None for item in three):
            continue
        if len({item.main.home for item in three if item.main is not None}) > 1 and any(
            item.main is not None and item.main.kind == "hits" for item in three
        ):
            continue
        ab, bc, ac = (float(item.offset_s or 0.0) for item in three)
        loops.append(Loop(tracks=(names[a], names[b], names[c]), residual_ms=(ab + bc - ac) * 1e3))
    return tuple(sorted(loops, key=lambda loop: -abs(loop.residual_ms))[:most])
