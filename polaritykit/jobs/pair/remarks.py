"""Sentences for the findings of a stereo pair; every number in them is in the findings.

Conventions: as in `polaritykit.jobs.pair.measure`.
"""

import re
from collections.abc import Iterator

import numpy as np

from polaritykit.jobs.pair.findings import StereoFindings
from polaritykit.jobs.pair.settings import StereoSettings

_LEFT = re.compile(r"(?<![a-z])(l|left)(?![a-z])", re.IGNORECASE)
_RIGHT = re.compile(r"(?<![a-z])(r|right)(?![a-z])", re.IGNORECASE)


def stereo_remarks(found: StereoFindings, settings: StereoSettings) -> Iterator[str]:
    """Remarks on wiring, levels, filters, material and the mono sum, the weightiest first."""
    yield from _on_wiring(found, settings)
    yield from _on_levels(found, settings)
    yield from _on_mono(found, settings)
    if _RIGHT.search(found.reference) and _LEFT.search(found.other):
        yield (
            f"The names suggest that the sides are swapped: {found.reference} was given as the left. "
            "Sound alone cannot tell left from right."
        )


def _on_wiring(found: StereoFindings, settings: StereoSettings) -> Iterator[str]:
    coincident = found.offset_ms is not None and abs(found.offset_ms) <= settings.coincident_ms
    if found.mixed_signs:
        yield (
            "Some sources are alike in both tracks and others inverted, all at no delay: mid-side material, "
            "or coincident figure-of-eights with sources at their sides. Decode mid-side first; its polarity "
            "only decides which side is left."
        )
    if found.wiring == "inverted" and coincident:
        yield (
            "Both mics hear the source at the same time. If they are coincident figure-of-eights and the "
            "source stood at their side, this is how they work and no fault: judge on a source in front."
        )
    if found.correlation is not None and abs(found.correlation) > 0.9999:
        yield "Both tracks carry the same signal, not two microphones' signals."
    if found.low_cut_side is not None:
        side = found.other if found.low_cut_side == "other" else found.reference
        corner = f" below about {_rounded(found.low_cut_hz)} Hz" if found.low_cut_hz else ""
        yield (
            f"{side} lacks the bottom{corner}: a low-cut on that side only, or another capsule. It turns the "
            "phase down there; that is not the wiring. Set both sides alike."
        )


def _on_levels(found: StereoFindings, settings: StereoSettings) -> Iterator[str]:
    if found.level_difference_db is None:
        yield "One of the two tracks is silent."
        return
    middle = [octave for octave in found.octaves if 125.0 <= octave.centre_hz <= 8000.0]
    step = float(np.median([octave.level_difference_db for octave in middle])) if middle else 0.0
    quiet = found.other if step < 0.0 else found.reference
    if found.pad_db is not None:
        yield (
            f"{quiet} is {abs(step):.1f} dB quieter in all octaves, near {found.pad_db} dB: "
            "look for a pad switched in on that side only (pads are usually 10 or 20 dB)."
        )
    elif abs(step) > settings.flat_db:
        yield f"{quiet} is {abs(step):.1f} dB quieter: a gain setting, or the source stands nearer the other."
    odd = [octave for octave in middle if abs(octave.level_difference_db - step) > settings.tone_db]
    if odd:
        octave = max(odd, key=lambda one: abs(one.level_difference_db - step))
        loud = found.other if octave.level_difference_db > step else found.reference
        yield (
            f"The two differ in tone: most at {octave.centre_hz:g} Hz, where {loud} is "
            f"{abs(octave.level_difference_db - step):.1f} dB stronger than its share."
        )


def _on_mono(found: StereoFindings, settings: StereoSettings) -> Iterator[str]:
    if found.mono_sum_loss_db is None or found.mono_sum_loss_db < settings.notable_loss_db:
        return
    if found.wiring == "inverted":
        return
    cause = (
        "That comes from where the mics stand, not from the wiring."
        if found.wiring == "same"
        else "Whether wiring or place is the cause is not clear: look at both cables, then listen in mono."
    )
    yield (
        f"The mono sum loses {found.mono_sum_loss_db:.1f} dB; flipped it would be "
        f"{-(found.mono_sum_loss_flipped_db or 0.0):+.1f} dB. {cause}"
    )


def _rounded(value: float | None) -> int:
    return 10 * round((value or 0.0) / 10.0)
