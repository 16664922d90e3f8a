"""The words of `pair`: its codes and numbers as sentences, made in this one place.

Conventions: a reason is a clause without a full stop; the rest are sentences.
"""

from collections.abc import Iterator

from polaritykit.base.wording import frequency, number, percent
from polaritykit.jobs.check.reasons import pair_words
from polaritykit.jobs.pair.findings import KindReason, PairKind, Remark, StereoFindings

_KINDS: dict[PairKind, str] = {
    "stereo": "a stereo pair",
    "one-source": "two mics on one source",
    "two-sources": "two mics on a source each, which leak into one another",
    "mid-side": "mid and side",
}
_BECAUSE: dict[KindReason, str] = {
    "asked": "as you say",
    "names": "by their names",
    "signs": "some sources are alike in both and others inverted, all at no delay",
    "one_place": "all that both hear has one offset and one level",
    "own_sources": "each hears another source first and loudest",
    "spread": "sources differ in offset or level, as over a stage",
    "assumed": "nothing in the sound tells",
}


def headline(found: StereoFindings) -> str:
    """Say what to do with the polarity."""
    a, b = found.reference, found.other
    if found.kind == "mid-side":
        return f"Decoded to left and right: {a} and {b}. The polarity of the side decides only which is left."
    if found.flip is not None:
        return f"Flip {found.flip} (ø): its wiring is inverted against {b if found.flip == a else a}."
    if found.wiring.polarity == "same":
        return f"Leave the polarity as it is: {a} and {b} are wired alike."
    return f"Whether {a} and {b} are wired alike is unclear: do not flip on this evidence."


def kind_words(found: StereoFindings) -> str:
    """Say what the two are taken for, and why."""
    hint = "" if found.kind_reason in ("asked", "names") else " (--kind says otherwise)"
    return f"Taken for {_KINDS[found.kind]}: {_BECAUSE[found.kind_reason]}{hint}."


def why(found: StereoFindings) -> str:
    """Say what the wiring rests on, or why it is unclear."""
    wiring = found.wiring
    told = pair_words(found.answer) if found.answer is not None else None
    if found.kind == "mid-side":
        return (
            "the side holds what lies left and right with opposite signs, so that it has none against the mid"
        )
    if wiring.mixed:
        return "some sources are alike in both tracks, others inverted, all at no delay"
    if wiring.basis == "octaves" and wiring.octaves_hz is not None:
        low, high = map(frequency, wiring.octaves_hz)
        return f"{wiring.n_octaves} octaves, {low} to {high}, agree"
    if wiring.basis == "bottom":
        correlation = number(wiring.correlation, 2)
        return f"no single delay fits, but from 44 to 177 Hz the two correlate by {correlation}"
    if wiring.basis == "sources":
        said = f"what both hear says so (confidence {percent(wiring.confidence)})"
        return f"{said}; {told}" if told else said
    return told or "what they share tells no sign"


def setting_words(found: StereoFindings) -> str | None:
    """Say what to do about the delay."""
    if found.kind in ("stereo", "mid-side"):
        apart = found.kind == "stereo" and found.offset_ms is not None
        return "Never delay one side of a stereo pair: its time difference is the image." if apart else None
    if found.setting is None:
        return None
    setting = found.setting
    move = "Advance" if setting.shift_ms < 0.0 else "Delay"
    told = f"{move} {setting.track} by {number(abs(setting.shift_ms), 2)} ms"
    other = found.other if setting.track == found.reference else found.reference
    if setting.shift_ms < 0.0:
        told += f", or delay {other} by as much"
    with_flip = ", the flip included" if found.flip else ""
    gain = number(setting.gain_db, 1, signed=True)
    return f"{told}: the sum changes by {gain} dB in the source's band{with_flip}."


def remark_words(found: StereoFindings) -> Iterator[str]:
    """Make the sentences of all remarks."""
    for remark in found.remarks:
        yield _sentence(remark, found)


def _sentence(remark: Remark, found: StereoFindings) -> str:
    track, value = remark.track, number(remark.value, 1)
    flipped_db = number(-(found.mono_sum_loss_flipped_db or 0.0), 1, signed=True)
    cause = (
        "That comes from where the mics stand, not from the wiring."
        if found.wiring.polarity == "same"
        else "Whether wiring or place is the cause is not clear: look at both cables, then listen in mono."
    )
    sentences = {
        "mid_side_decoded": "Levels, correlation and mono sum are those of left and right at equal gain; the "
        "mono sum is the mid alone.",
        "mid_side_apart": f"Mid and side hear the sound {number(remark.value, 2)} ms apart: they should "
        "stand at one point.",
        "mixed_signs": "Mid-side material, or coincident figure-of-eights with sources at their sides: where "
        "it is mid and side, say so with --kind mid-side.",
        "leak": "For what a flip or a delay does to each of the two sources, see polaritykit bleed.",
        "coincident_eights": "Both mics hear the source at the same time. If they are coincident "
        "figure-of-eights and the source stood at their side, this is how they work and no fault: judge on a "
        "source in front.",
        "same_signal": "Both tracks carry the same signal, not two microphones' signals.",
        "low_cut": f"{track} lacks the bottom below about {_tens(remark.at_hz)} Hz: a low-cut on that side "
        "only, or another capsule. It turns the phase down there; that is not the wiring. Set both alike.",
        "late_image": f"The two hear the sound {value} ms apart: wide for a stereo pair; its mono sum combs.",
        "silent": "One of the two tracks is silent.",
        "pad": f"{track} is quieter by about {number(remark.value, 0)} dB in all that both share: look for a "
        "pad switched in on that side only (pads are usually 10 or 20 dB).",
        "level": f"{track} is {value} dB quieter: a gain setting, or the source stands nearer the other.",
        "tone": f"The two differ in tone: most at {frequency(remark.at_hz or 0.0)}, where {track} is {value} "
        "dB stronger than its share.",
        "mono_loss": f"The mono sum loses {value} dB; flipped it would be {flipped_db} dB. {cause}",
        "swapped": f"The names suggest that the sides are swapped: {track} was given as the left. Sound "
        "alone cannot tell left from right.",
    }
    return sentences[remark.code]


def _tens(value: float | None) -> int:
    return 10 * round((value or 0.0) / 10.0)
