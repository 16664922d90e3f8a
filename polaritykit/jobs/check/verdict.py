"""Findings to the verdict in words: what to do first, then how much was compared and how sure it is.

Conventions: one headline, then short sentences; a number is only given where it was measured.
"""

import re
from collections.abc import Sequence
from typing import Any

from polaritykit.base.track_names import capital, source_names, the_source
from polaritykit.base.wording import by_reason, frequency, listed, number, percent, plural
from polaritykit.decide.findings import Findings, OctaveLoss, PairFinding, TrackCorrection
from polaritykit.jobs.check.loss_words import cost, lost
from polaritykit.jobs.check.reasons import bus_words, flip_words, pair_words, settling_words
from polaritykit.levels.faults import fault_words


def summarise(findings: Findings) -> dict[str, Any]:
    """Make the document's ``summary``.

    Parameters
    ----------
    findings : Findings

    Returns
    -------
    dict
        ``headline``, ``sentences`` and ``counts``.
    """
    pairs = findings.pairs
    related = [pair for pair in pairs if pair.related]
    decided = [pair for pair in related if pair.polarity != "unclear"]
    flips = [track for track in findings.corrections.tracks if track.invert]
    delays = [track for track in findings.corrections.tracks if track.shift_ms != 0.0]
    faults = [
        f"{name}: {', '.join(map(fault_words, levels.faults))}"
        for name, levels in zip(findings.track_names, findings.levels, strict=True)
        if levels.faults
    ]
    sentences = [
        *_flip_sentences(findings, flips),
        *voice_sentences(findings),
        *_delay_sentences(findings, delays),
    ]
    if flips or delays:
        sentences += _sum_sentences(findings)
    sentences += _loss_sentences(findings) + _open_sentences(findings)
    sentences += _other_sentences(related, decided)
    if faults:
        sentences.append(f"Level or wiring faults: {'; '.join(faults)}.")
    n_open = sum(track.status == "not judged" for track in findings.corrections.tracks)
    return {
        "headline": _headline(related, decided, [t.name for t in flips], len(delays), n_open),
        "sentences": sentences,
        "counts": {
            "pairs": len(pairs),
            "related": len(related),
            "decided": len(decided),
            "inverted": sum(pair.polarity == "inverted" for pair in decided),
            "flips": len(flips),
            "delays": len(delays),
        },
    }


def _headline(
    related: list[PairFinding], decided: list[PairFinding], flips: list[str], n_delays: int, n_open: int
) -> str:
    if not related:
        return "No two tracks share sound: there is nothing to compare."
    parts = []
    if flips:
        parts.append(f"flip {listed(flips)}")
    if n_delays:
        parts.append(f"{plural(n_delays, 'shift')} would line the tracks up")
    if parts:
        text = "; ".join(parts)
        return text[0].upper() + text[1:] + "."
    if not decided:
        return "Polarity could not be told for any pair; see the reasons."
    if n_open:
        return f"Nothing to correct in what could be judged; {plural(n_open, 'track')} could not."
    return "Nothing to correct: every pair that could be judged agrees."


def _flip_sentences(findings: Findings, flips: list[TrackCorrection]) -> list[str]:
    why: dict[str, list[str]] = {}
    for track in flips:
        why.setdefault(flip_words(track), []).append(track.name)
    out = []
    for reason, names in why.items():
        sure = min(_best_confidence(findings, name) for name in names)
        verb = "are" if len(names) > 1 else "is"
        out.append(f"{listed(names)} {verb} {reason}, confidence {percent(sure)}.")
    if flips and 2 * len(flips) >= len(findings.track_names) and not findings.voices:
        out.append(
            "Half of the tracks disagree with the other half: which half is wired backwards, nobody can tell."
        )
    return out


def voice_sentences(findings: Findings) -> list[str]:
    """Say what close voices tell of their tracks, and of what they are inverted against.

    Parameters
    ----------
    findings : Findings
    """
    flipped = {track.name for track in findings.corrections.tracks if track.invert}
    out = []
    for voice in findings.voices:
        sure = percent(voice.confidence)
        against = [
            pair.other if pair.reference == voice.track else pair.reference
            for pair in findings.pairs
            if pair.polarity == "inverted" and voice.track in (pair.reference, pair.other)
        ]
        if voice.polarity == "upright":
            if against and voice.track not in flipped:
                out.append(
                    f"By the voice in it {voice.track} is the right way round ({sure}): {listed(against)} "
                    f"{'is' if len(against) == 1 else 'are'} wired backwards."
                )
            elif voice.track in flipped:
                out.append(
                    f"By the voice in it {voice.track} is the right way round ({sure}), and the others are "
                    "wired backwards; flipping this one is fewer switches."
                )
            continue
        said = f"By the voice in it {voice.track} is upside down ({sure})"
        if voice.track in flipped:
            out.append(f"{said}: it is the one wired backwards.")
        else:
            out.append(
                f"{said}, as all that agrees with it is then: nothing is flipped for that alone; look for "
                "the cable or switch they have in common."
            )
    return out


def _best_confidence(findings: Findings, name: str) -> float:
    """Confidence of the surest inverted pair of a track."""
    return max(
        (p.confidence for p in findings.pairs if name in (p.reference, p.other) and p.polarity == "inverted"),
        default=0.5,
    )


def _delay_sentences(findings: Findings, delays: list[TrackCorrection]) -> list[str]:
    anchor = findings.corrections.anchor
    if not delays:
        return []
    aligned = [track for track in delays if track.rule == "arrival"]
    advanced = [track for track in delays if track.shift_ms < 0.0]
    shortest, longest = (number(f(abs(track.shift_ms) for track in delays), 2) for f in (min, max))
    span = f"{longest} ms" if shortest == longest else f"{shortest} to {longest} ms"
    own = listed(source_names([track.name for track in aligned])) if aligned else ""
    out = [f"Set {plural(len(delays), 'shift')} of {span} against {anchor}."]
    out += [
        f"{track.name} is advanced by {number(-track.shift_ms, 2)} ms; a desk delays the others instead."
        for track in advanced
    ]
    if aligned:
        verb = "lines" if len(aligned) == 1 else "line"
        out.append(f"{capital(own)} then {verb} up with {anchor}.")
    fullest = [track.name for track in delays if track.rule in ("fullest", "own octave")]
    if fullest:
        verb = "is" if len(fullest) == 1 else "are"
        out.append(f"{listed(fullest)} {verb} set where the sum is fullest, not by the first arrival.")
    return out + _staying_sentences(findings, fullest)


def _staying_sentences(findings: Findings, fullest: Sequence[str]) -> list[str]:
    """Say which sources stay apart from the anchor in their own mic; one with several homes once."""
    anchor = findings.corrections.anchor
    moved = [track.name for track in findings.corrections.tracks if track.shift_ms]
    served = [source.home for source in findings.served if source.home in source.together]
    told = {*fullest, *moved, *served}
    stays: dict[tuple[str, ...], dict[str, float]] = {}
    for source in findings.served:
        for item in source.apart:
            if item.track == source.home and source.home not in told:
                stays.setdefault(_drum(source.home), {}).setdefault(source.home, item.residual_ms)
    out = []
    for (who, *_), homes in stays.items():
        by = [
            f"{number(abs(apart_ms), 2)} ms {'after' if apart_ms > 0 else 'before'} {anchor} in {home}"
            for home, apart_ms in homes.items()
        ]
        out.append(f"{capital(who)} stays {listed(by)}: lining it up would not help.")
    return out


def _drum(home: str) -> tuple[str, ...]:
    """Tell a drum by its name and its number: top and bottom mic are on one, tom 1 and tom 2 are two."""
    return (the_source(home), *re.findall(r"\d+", home.lstrip("0123456789")))


def _loss_sentences(findings: Findings) -> list[str]:
    """Say what the settings cost, of a drum with several homes once; what they may cost stands elsewhere."""
    worst: dict[tuple[tuple[str, ...], float], tuple[str, OctaveLoss]] = {}
    for track in findings.corrections.tracks:
        for loss in track.losses:
            key = (_drum(loss.home), loss.octave_hz)
            if lost(loss.db, loss.std_db)[0] and (key not in worst or loss.db < worst[key][1].db):
                worst[key] = (track.name, loss)
    return [f"With all settings {cost(loss)}, mostly by {name}." for name, loss in worst.values()]


def _open_sentences(findings: Findings) -> list[str]:
    """Name the tracks whose setting is open, and what may as well be set."""
    tracks = findings.corrections.tracks
    optional = [track.name for track in tracks if track.optional_shift_ms is not None]
    left = [track.name for track in tracks if track.status == "not judged" and track.reason != "bus"]
    out = [f"{track.name} is {bus_words(track)}." for track in tracks if track.reason == "bus"]
    out += [f"Optional, for a small gain: a shift of {listed(optional)}."] if optional else []
    if left:
        moves = "it moves" if len(left) == 1 else "they move"
        out.append(f"Timing not judged: {listed(left)}; {moves} along with any shift of all.")
        out += _unheard_sentences(findings)
    return out


def _unheard_sentences(findings: Findings) -> list[str]:
    """Name the tracks whose own sound was found on no track, of which no loss can be foretold."""
    tracks = findings.corrections.tracks
    homes = (*(source.home for source in findings.sources), *findings.corrections.by_own_strokes)
    heard = {_drum(home) for home in homes}
    left = [t.name for t in tracks if t.reason == "no_arrival" and _drum(t.name) not in heard]
    if not left or not any(track.shift_ms for track in tracks):
        return []
    sound = f"What is played into {listed(left)} was not told apart from the rest"
    return [f"{sound}: what the shifts do to it in the sum of all tracks is not known."]


def _sum_sentences(findings: Findings) -> list[str]:
    """Say what the settings do to the sum of all tracks: the octave that gains most, and any that loses."""
    kit = findings.kit_sum
    changes = [
        (after - before, centre, before, after)
        for centre, before, after in zip(kit.centre_hz, kit.before_db, kit.after_db, strict=True)
    ]
    if not changes or max(abs(change[0]) for change in changes) < 0.5:
        return []
    best, worst = max(changes), min(changes)
    out = []
    if best[0] >= 0.5:
        out.append(
            f"The sum of all tracks then gains most in the octave around {frequency(best[1])}: "
            f"{number(best[0], 1, signed=True)} dB."
        )
    if worst[0] <= -0.5:
        out.append(
            f"It loses in the octave around {frequency(worst[1])}: {number(worst[0], 1, signed=True)} dB."
            if out
            else f"The sum of all tracks loses {number(-worst[0], 1)} dB around {frequency(worst[1])}."
        )
    return out


def _other_sentences(related: list[PairFinding], decided: list[PairFinding]) -> list[str]:
    out = []
    strong = sum(pair.grade == "strong" for pair in decided)
    if decided:
        out.append(_clear_sentence(len(related), len(decided), strong))
    dissenting = sum(any(source.dissents for source in pair.sources) for pair in related)
    if dissenting:
        out.append(f"In {plural(dissenting, 'pair')} one source does not fit the rest; it is named below.")
    unclear = [(p.reference, p.other, pair_words(p) or "") for p in related if p.polarity == "unclear"]
    if unclear:
        reasons = "; ".join(f"{reason} ({count})" for reason, count, _ in by_reason(unclear)[:3])
        out.append(f"Polarity could not be judged in {plural(len(unclear), 'pair')}: {reasons}.")
        by = settling_words([p.cause for p in related if p.polarity == "unclear" and p.cause is not None])
        out += [f"To settle that, record {by}."] if by else []
    return out


def _clear_sentence(related: int, decided: int, strong: int) -> str:
    """Say how much is clear, and how much of it is confirmed.

    Examples
    --------
    >>> _clear_sentence(1, 1, 1)
    'Polarity is clear; two sources confirm it.'
    >>> _clear_sentence(36, 30, 28)
    'Polarity is clear in 30 of 36 pairs; in 28 two sources confirm it.'
    """
    where = (
        ""
        if related == 1
        else f" in all {related} pairs"
        if decided == related
        else f" in {decided} of {related} pairs"
    )
    if not strong:
        return f"Polarity is clear{where}, by one source alone{'' if related == 1 else ' in each'}."
    confirmed = "two sources confirm it" if strong == decided else f"in {strong} two sources confirm it"
    return f"Polarity is clear{where}; {confirmed}."
