"""Codes of a check and their numbers in words; the one place where these clauses are made.

Conventions: a reason is a clause without a full stop; several are joined by semicolons.  Notes are sentences.
"""

from collections.abc import Sequence
from functools import lru_cache

from polaritykit.base.hearing import AUDIBLE_DB
from polaritykit.base.track_names import source_names, the_source
from polaritykit.base.wording import listed, number, plural
from polaritykit.changes.motion import Change, Holds, Motion, holds
from polaritykit.decide.findings import (
    Advice,
    CauseCode,
    Corrections,
    Outvoted,
    PairCause,
    PairCopy,
    PairFinding,
    TrackCorrection,
)
from polaritykit.evidence.plan_limits import BeyondPlan
from polaritykit.jobs.check.loss_words import cost

_CAUSES: dict[CauseCode, str] = {
    "crosstalk": "what they share is very faint and has no delay: crosstalk in cable or desk, not sound",
    "hum": "they share nothing but mains hum",
    "nothing_to_compare": "too little to compare: no sound that lasts, and too few hits of one source",
    "beyond_search": "the best match is at the longest delay searched; the real one may be longer",
    "unsteady": "nothing reaches both at a steady time: too few clean hits, or nothing shared",
    "triggered": "{home} is struck together with {against} and shares no waveform with it, as a triggered "
    "sample does: no wiring can be told; {sum}",
    "printed_sum": "{home} is the sum of other tracks: what those are, it is too",
    "no_shared_sound": "no sound found in both, above the noise",
    "scattered": "the arrival scatters from hit to hit, so no offset is given",
    "covered": "the loudest source has no clear arrival in one of them, and a fainter one, {home}, does not "
    "tell how the rest adds up",
    "own_source_objects": "one source says otherwise than the leaks: one of the two mics hears it from the "
    "other side",
    "sources_disagree": "two sources disagree: {home} says same polarity, {against} says inverted",
    "narrow": "the sound is too narrow in band: both polarities look alike",
    "mixed": "the bands do not agree on one polarity: a filter on one track, several sources, or too little "
    "above the noise",
    "edge": "the arrival is at the longest delay searched; the real one may be longer",
    "faint": "the opposite polarity fits nearly as well: what they share is faint or narrow in band",
    "few_hits": "too few clean hits: a few single ones would settle it",
    "unlike": "the arrivals are too faint, or too unlike, to tell the polarity",
}


_HITS = "some single hits on each drum, with nothing else playing"
_BROAD = "a few seconds of broad sound that both hear (a clap, noise, speech), or the line-check signal"
#: What would settle a pair that stays unclear; a code that is missing needs more than a recording.
_SETTLED_BY: dict[CauseCode, str] = {
    "few_hits": _HITS,
    "unsteady": _HITS,
    "scattered": _HITS,
    "own_source_objects": _HITS,
    "sources_disagree": _HITS,
    "unlike": _HITS,
    "narrow": _BROAD,
    "mixed": _BROAD,
    "faint": _BROAD,
    "nothing_to_compare": _BROAD,
    "edge": "tracks that start together, or a shorter distance",
}


def settling_words(causes: Sequence[PairCause]) -> str:
    """Say what would settle the most of some unclear pairs; empty where nothing is known to.

    Parameters
    ----------
    causes : sequence of PairCause

    Examples
    --------
    >>> settling_words([PairCause(code="few_hits"), PairCause(code="hum"), PairCause(code="unlike")])
    'some single hits on each drum, with nothing else playing'
    """
    ways = [_SETTLED_BY[cause.code] for cause in causes if cause.code in _SETTLED_BY]
    return max(ways, key=ways.count) if ways else ""


@lru_cache(maxsize=4096)
def cause_words(cause: PairCause) -> str:
    """Say why a pair has no polarity, no offset or nothing in common.

    Examples
    --------
    >>> cause_words(PairCause(code="sources_disagree", home="snare", against="kick"))
    'two sources disagree: the snare says same polarity, the kick says inverted'
    """
    # Names may hold braces of their own: they are put in last, and once.
    home, against = source_names([cause.home or "", cause.against or ""])
    return _CAUSES[cause.code].format(home=home, against=against, sum=_sum_of_two(cause.fuller_db))


def _sum_of_two(fuller_db: float | None) -> str:
    """Say which position of the switch sums fuller."""
    if fuller_db is None or abs(fuller_db) < AUDIBLE_DB:
        return "both positions of the switch sum alike"
    where = "as it is" if fuller_db > 0.0 else "with one of the two flipped"
    return f"their sum is {number(abs(fuller_db), 1)} dB fuller {where}"


def pair_words(pair: PairFinding) -> str | None:
    """Say all there is to a pair's answer: that it is a copy, why something stays open, when it holds."""
    copy = pair.relation == "copy"
    known = pair.cause is not None and (pair.sources or not copy)
    parts = [
        copy_words(pair.copy) if copy else "",
        cause_words(pair.cause) if pair.cause is not None and known else "",
        *_during(pair),
    ]
    return "; ".join(part for part in parts if part) or None


def copy_words(copy: PairCopy | None) -> str:
    """Name a copy, its original and its lateness."""
    if copy is None:
        return "one track is a copy of the other"
    said = f"{copy.copy} is {copy.original} again"
    if copy.late_samples:
        said += f", {lateness_words(copy.late_samples)}, as a processed duplicate is"
    return said + (", filtered" if copy.filtered else "") + (", turned over" if copy.inverted else "")


def _during(pair: PairFinding) -> list[str]:
    """Say what a pair's tracks did during the take."""
    said = [f"{held.track} changed: this holds from {_span(held)}" for held in pair.holds]
    if pair.drift_ppm is not None:
        told = f"drifts by {number(pair.drift_ppm, 1, signed=True)} ppm"
        said.insert(0, f"two clocks: the offset is that in the middle of the take and {told}")
    return said


def _span(held: Holds) -> str:
    return f"{held.from_s:.1f} s to {held.to_s:.1f} s"


def change_words(change: Change) -> str:
    """Name what happened to a track at a moment.

    Examples
    --------
    >>> moved = Change(time_s=1.0, track="kick", later_ms=-0.5, offset_before_ms=0.0, offset_after_ms=-0.5)
    >>> change_words(moved)
    'kick became 0.50 ms earlier (mic moved, or delay changed)'
    """
    parts = [f"{change.track} changed polarity"] if change.turned else []
    if change.later_ms:
        side = "later" if change.later_ms > 0 else "earlier"
        parts.append(
            f"{change.track} became {abs(change.later_ms):.2f} ms {side} (mic moved, or delay changed)"
        )
    return " and ".join(parts)


def part_note(listened_s: float, duration_s: float) -> str:
    """Say how much was listened to, where it was not all."""
    part, whole = number(listened_s, 0), number(duration_s, 0)
    return f"Listened to {part} s of {whole} s, spread over the take: level faults elsewhere are not seen."


def motion_notes(names: Sequence[str], motions: Sequence[Motion]) -> list[str]:
    """Say in sentences what every track did that changed."""
    notes = []
    for motion in motions:
        name = names[motion.track]
        if motion.rate:
            side = "later" if motion.rate > 0 else "earlier"
            notes.append(
                f"{name} runs on another clock than the others: it gets {side} by "
                f"{abs(motion.rate) * 1e6:.2f} ± {max(motion.rate_std * 1e6, 0.01):.2f} ppm "
                f"({abs(motion.rate) * 60e3:.2f} ms a minute).  Offsets are those in the middle of the take; "
                "no delay holds throughout: resample the track."
            )
        if motion.steps:
            told = "; ".join(
                f"at {step.time_s:.1f} s "
                + change_words(
                    Change(
                        time_s=step.time_s,
                        track=name,
                        turned=step.flip,
                        later_ms=step.jump_s * 1e3,
                        offset_before_ms=None,
                        offset_after_ms=None,
                    )
                )
                for step in motion.steps
            )
            held = holds(tuple(names), motion)
            notes.append(f"During the take, {told}.  What is said of {name} holds from {_span(held)}.")
    return notes


def beyond_note(found: BeyondPlan) -> str:
    """Say whose measured offsets a plan forbids."""
    return (
        f"{found.track}: {found.dropped} of {found.measured} measured offsets are larger than the plan's "
        "distances allow and were not used: latency, another place than planned, or a reflection."
    )


def outvoted_words(found: Outvoted) -> str:
    """Say which sources of a pair speak against the session's setting."""
    word = "inverted" if found.polarity == "inverted" else "with the same polarity"
    verb = "is" if len(found.homes) == 1 else "are"
    return (
        f"{listed(source_names(found.homes))} {verb} heard {word} here, unlike the rest: "
        "one of the two mics hears it from the other side, or its arrival is lost"
    )


def advice_words(pair: PairFinding, corrections: Corrections) -> str:
    """Say why a pair is advised what it is."""
    advice = pair.advice
    said = _session(pair, corrections) if advice.reason == "session" else _advised(pair, advice)
    return "; ".join([said, *_during(pair)])


def _session(pair: PairFinding, corrections: Corrections) -> str:
    """Say how the session sets the two tracks."""
    own = pair.reference, pair.other
    tracks = {track.name: track for track in corrections.tracks if track.name in own}
    told = [f"{name}: {_in_short(tracks[name])}" for name in own]
    return "as the whole session is set; " + "; ".join(told)


def _in_short(track: TrackCorrection) -> str:
    words = ["flip"] if track.invert else []
    if track.shift_ms:
        words.append(f"{number(abs(track.shift_ms), 2)} ms {'later' if track.shift_ms > 0.0 else 'earlier'}")
    return ", ".join(words) or "as it is"


def _advised(pair: PairFinding, advice: Advice) -> str:
    cause = "" if pair.cause is None else cause_words(pair.cause)
    apart = f"{abs(pair.offset_ms or 0.0):.2f} ms apart"
    heard = f"by {the_source(advice.homes[0])}" if advice.homes else "by the sound they share"
    would = f"{number(advice.would_gain_db or 0.0, 1, signed=True)} dB"
    words = {
        "apart": cause or "the two tracks share no sound",
        "no_offset": f"{cause or 'no offset is known'}; compare both positions of the switch by ear",
        "no_sign": f"the polarity is unclear ({cause}); compare both positions by ear",
        "two_offsets": f"{' and '.join(source_names(advice.homes))} arrive with different offsets: no one "
        "delay serves both; moving a mic does",
        "image": "same polarity; a stereo pair keeps its timing",
        "agrees": "same polarity, no delay worth setting",
        "little": "same polarity; a delay would gain too little to hear",
        "flip_fills": f"same polarity, but {apart}: flipping would fill this band by "
        f"{advice.would_gain_db or 0.0:.1f} dB although nothing is wired backwards",
        "inverted_little": f"inverted by the direct sound, but {apart} the sum changes by only {would} in "
        "the source's band: check the wiring, then compare by ear",
        "image_inverted": "one side of the stereo pair is inverted: the image is wrong, though the mono sum "
        f"of this band changes by only {number(advice.gain_db, 1, signed=True)} dB",
        "inverted": f"inverted {heard}",
        "inverted_late": f"inverted and {apart} {heard}",
        "late": f"same polarity, {apart} {heard}",
        "late_or_flip": f"same polarity, but {apart} {heard}: flip or delay, both fill this band",
    }
    return words[advice.reason or "agrees"]


def note_words(pair: PairFinding) -> str | None:
    """Name the setting that a pair would have by itself; None where the session's serves it."""
    rather = pair.advice.rather
    if rather is None:
        return None
    words = ["flip one of the two"] if rather.invert else []
    if rather.shift_ms:
        early = pair.other if rather.shift_ms > 0.0 else pair.reference
        words.append(f"delay {early} by {abs(rather.shift_ms):.2f} ms")
    wish = " and ".join(words) or "stay as it is"
    gain = f" ({number(rather.gain_db, 1, signed=True)} dB)" if words else ""
    return f"by itself this pair would rather {wish}{gain}; the session is set so that all sums gain"


def correction_words(
    track: TrackCorrection, corrections: Corrections, linked: Sequence[tuple[str, str]] = ()
) -> str:
    """Say in one line why a track is set as it is, as `correction_clauses` does.

    Parameters
    ----------
    track : TrackCorrection
    corrections : Corrections
    linked : sequence of (str, str)
    """
    return "; ".join(correction_clauses(track, corrections, linked))


def correction_clauses(
    track: TrackCorrection, corrections: Corrections, linked: Sequence[tuple[str, str]] = ()
) -> tuple[str, ...]:
    """Say why a track is set as it is, the most important first; never nothing.

    Parameters
    ----------
    track : TrackCorrection
    corrections : Corrections
        Of the whole session.
    linked : sequence of (str, str)
        Stereo pairs: times count from the middle of the anchor's.
    """
    anchor = corrections.anchor or "the anchor"
    anchor = next((f"the middle of {a} and {b}" for a, b in linked if anchor in (a, b)), anchor)
    waits = track.delay_ms > 0.0 and not track.shift_ms
    parts = [
        flip_words(track),
        "before you mend a cable, see whether this mic stands on its other side"
        if track.flip_reason == "one_source"
        else "",
        _shift_words(track, anchor),
        *(f"with all settings {cost(loss)}" for loss in track.losses),
        f"at a desk waits for {_earliest(corrections)}, which is advanced" if waits else "",
    ]
    return tuple(part for part in parts if part) or ("nothing to correct",)


def _earliest(corrections: Corrections) -> str:
    """Name the track that is advanced most."""
    return min(corrections.tracks, key=lambda track: track.shift_ms).name


def flip_words(track: TrackCorrection) -> str:
    """Say why a track is flipped; empty where it is not."""
    if not track.invert or track.flip_reason is None:
        return ""
    if track.flip_reason == "copy":
        return f"flips with {track.flip_about}, of which it is a copy"
    said = f"inverted against {plural(track.flip_against, 'other track')}"
    if track.flip_reason == "underside":
        said += "; normal for a mic under a drum, the cable is fine: flip it for the sum"
    if track.flip_reason == "one_source":
        said += f" by {the_source(track.flip_about or '')} alone: flip it for the sum"
    if track.flip_tie:
        said += "; which side is wired backwards, these tracks alone cannot tell"
    return said


def _shift_words(track: TrackCorrection, anchor: str) -> str:
    """Say why a track is shifted, or why not; empty where there is nothing to tell."""
    heard = _heard(track, anchor)
    gain = f"{number(track.gain_db, 1, signed=True)} dB"
    about = track.about or "the anchor"
    own = the_source(track.name)
    words = {
        "coincide": heard,
        "fuller": f"{heard}; set close by, where its sum is fuller ({gain} in its mics and the anchor)",
        "octave": (
            f"{own} is rarely heard alone: set for the fullest sum in its octave ({gain} with the anchor)"
        ),
        "own_sum": f"set to {about}, which is on the same source ({gain} in the sum of the two)",
        "image": f"moves with {about}: a stereo pair is never shifted against itself",
        "along": f"moves with {about}, which is on the same source; between the two nothing needs changing",
        "copy": _copy(track, about),
        "together": "",
        "anchor": "",
        "small_gain": f"left: {heard}, but a shift would gain too little to hear ({gain})",
        "harm": f"left: {heard}; lined up{_gains(track)}, {cost(track.loss)}",
        "far": _far(track, anchor),
        "unrelated": "shares no sound with the anchor: not judged",
        "sign_open": _open(track),
        "no_arrival": f"no clear arrival of {own} both here and in the anchor: its timing is not judged",
        "faulty": "silent or unusable: not judged",
        "echo": f"a copy of {about}, {number(abs(track.own_late_ms or 0.0), 1)} ms late, as a printed echo "
        "is: left",
        "bus": bus_words(track),
        "alone": "no two tracks share sound: not judged",
    }
    return words[track.reason]


def _gains(track: TrackCorrection) -> str:
    """Say what a shift that is left would gain, where that is heard."""
    if track.gain_db is None or track.gain_db < AUDIBLE_DB:
        return ""
    return f" it gains {number(track.gain_db, 1)} dB, but"


def bus_words(track: TrackCorrection) -> str:
    """Say what a bus is the sum of, how late, and what is to become of it."""
    late = f", {lateness_words(track.late_samples)}" if track.late_samples else ""
    parts = listed(track.sum_of) if track.sum_of else "other tracks"
    return f"the sum of {parts}{late}: left; once these are set, print it again"


def _heard(track: TrackCorrection, anchor: str) -> str:
    late_ms = track.own_late_ms
    if late_ms is None:
        return "how late it is, is not known"
    word = "before" if late_ms < 0 else "after"
    home = track.about or track.name
    here = "" if home == track.name else " here"
    return f"{the_source(home)} arrives{here} {number(abs(late_ms), 2)} ms {word} {anchor}"


def _far(track: TrackCorrection, anchor: str) -> str:
    if track.own_late_ms is not None and track.own_late_ms > 0.0:
        return f"far ({number(track.own_late_ms, 1)} ms after {anchor}): a room mic keeps its lateness"
    return "hears everything about alike: a room mic keeps its lateness"


def _open(track: TrackCorrection) -> str:
    if track.either_ms is None:
        return "its polarity is unclear: not judged, compare both positions by ear"
    one, two = (f"{number(value, 2, signed=True)} ms" for value in track.either_ms)
    return f"its polarity is unclear: listen to both, shifted by {one} as it is and by {two} flipped"


def _copy(track: TrackCorrection, about: str) -> str:
    if not track.own_late_ms:
        return f"a copy of {about}: moves with it"
    return f"a copy of {about}, {lateness_words(track.late_samples or 0.0)}: brought onto it"


def lateness_words(samples: float) -> str:
    """Say how late a copy is.

    Examples
    --------
    >>> lateness_words(64.0), lateness_words(-0.5)
    ('64 samples late', '0.5 samples early')
    """
    size = abs(samples)
    text = number(size, 0 if abs(size - round(size)) < 0.05 else 1)
    return f"{plural(text, 'sample')} {'late' if samples > 0 else 'early'}"
