"""What is worth remarking on two tracks, as codes; every number is in the findings.

Conventions: as in `polaritykit.jobs.pair.findings`.
"""

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from polaritykit.base.track_names import linked_pairs
from polaritykit.jobs.pair.findings import Remark, StereoFindings
from polaritykit.jobs.pair.kind import COINCIDENT_MS

#: A level difference that is named: less is how mics and players differ (common practice, no source).
_LEVEL_DB = 3.0
#: Departure of an octave from the whole that is named as a difference in tone (common practice, no source),
#: where this share of the octave is common to both.
_TONE_DB, _TONE_SHARED = 6.0, 0.5
#: The mono sum's loss is worth a remark from here.
_LOSS_DB = 1.0
#: A stereo pair's sides lie no farther apart: 5 ms is 1.7 m, wider than any usual pair.
_IMAGE_MS = 5.0


def remarks(
    found: StereoFindings, *, recorded: tuple[str, ...], raw_offset_ms: float | None
) -> StereoFindings:
    """Add the remarks, the weightiest first.

    Parameters
    ----------
    found : StereoFindings
    recorded : tuple of str
        Names of the tracks as recorded, before mid and side were decoded.
    raw_offset_ms : float or None
        Offset of these.
    """
    said = (*_on_wiring(found, raw_offset_ms), *_on_levels(found), *_on_names(found, recorded))
    return replace(found, remarks=said)


def _on_wiring(found: StereoFindings, raw_offset_ms: float | None) -> Iterator[Remark]:
    coincident = found.offset_ms is not None and abs(found.offset_ms) <= COINCIDENT_MS
    if found.kind == "mid-side":
        yield Remark(code="mid_side_decoded")
        if raw_offset_ms is not None and abs(raw_offset_ms) > COINCIDENT_MS:
            yield Remark(code="mid_side_apart", value=abs(raw_offset_ms))
    elif found.wiring.mixed:
        yield Remark(code="mixed_signs")
    if found.kind == "two-sources":
        yield Remark(code="leak")
    if found.kind == "stereo" and found.wiring.polarity == "inverted" and coincident:
        yield Remark(code="coincident_eights")
    if found.correlation is not None and abs(found.correlation) > 0.9999:
        yield Remark(code="same_signal")
    if found.low_cut is not None:
        side = found.other if found.low_cut.side == "other" else found.reference
        yield Remark(code="low_cut", track=side, at_hz=found.low_cut.corner_hz)
    if found.kind == "stereo" and found.offset_ms is not None and abs(found.offset_ms) > _IMAGE_MS:
        yield Remark(code="late_image", value=abs(found.offset_ms))


def _on_levels(found: StereoFindings) -> Iterator[Remark]:
    difference_db = found.level_difference_db
    if difference_db is None:
        yield Remark(code="silent")
        return
    quiet = found.other if difference_db < 0.0 else found.reference
    if found.pad_db is not None:
        yield Remark(code="pad", track=quiet, value=float(found.pad_db))
    elif found.kind == "stereo" and abs(difference_db) > _LEVEL_DB:
        yield Remark(code="level", track=quiet, value=abs(difference_db))
    shared = [octave for octave in found.octaves if octave.coherence >= _TONE_SHARED]
    if found.kind == "stereo" and len(shared) >= 3:
        # Of the octaves that both share: what only one hears says nothing of the other.
        common_db = float(np.median([octave.level_difference_db for octave in shared]))
        odd = max(shared, key=lambda one: abs(one.level_difference_db - common_db))
        away_db = odd.level_difference_db - common_db
        if abs(away_db) > _TONE_DB and found.low_cut is None:
            loud = found.other if away_db > 0.0 else found.reference
            yield Remark(code="tone", track=loud, value=abs(away_db), at_hz=odd.centre_hz)
    loss_db = found.mono_sum_loss_db
    if found.kind == "stereo" and found.wiring.polarity != "inverted" and (loss_db or 0.0) >= _LOSS_DB:
        yield Remark(code="mono_loss", value=loss_db)


def _on_names(found: StereoFindings, recorded: tuple[str, ...]) -> Iterator[Remark]:
    named = linked_pairs(recorded)
    if found.kind == "stereo" and named and named[0] == recorded[::-1]:
        yield Remark(code="swapped", track=recorded[0])
