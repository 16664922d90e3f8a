"""The pair job's findings as a document.

Conventions: levels to 0.1 dB, times to 0.1 µs.
"""

from typing import Any

from polaritykit.jobs.pair.findings import StereoFindings
from polaritykit.jobs.pair.words import headline, kind_words, remark_words, setting_words, why
from polaritykit.pages.head import rounded
from polaritykit.recorders.parts import RecorderParts


def stereo_document(found: StereoFindings, parts: RecorderParts | None = None) -> dict[str, Any]:
    """Give the ``pair`` part of the document.

    Parameters
    ----------
    found : StereoFindings
        Of the two lined up.
    parts : RecorderParts, optional
        What recorders that did not start together add to the offset.
    """
    parts = parts or RecorderParts(None)
    names = found.reference, found.other
    apart_ms, drift_ppm = parts.offset_ms(*names), parts.drift_ppm(*names)
    offset_ms = None if found.offset_ms is None else found.offset_ms + apart_ms
    return {
        "reference": found.reference,
        "other": found.other,
        "kind": found.kind,
        "kind_reason": found.kind_reason,
        "wiring": found.wiring.polarity,
        "wiring_basis": found.wiring.basis,
        "confidence": rounded(found.wiring.confidence, 3),
        "flip": found.flip,
        "setting": None
        if found.setting is None
        else {
            "track": found.setting.track,
            "shift_ms": rounded(found.setting.shift_ms, 4),
            "gain_db": rounded(found.setting.gain_db, 1),
        },
        "said": {
            "headline": headline(found),
            "why": why(found),
            "kind": kind_words(found),
            "setting": setting_words(found),
            "remarks": list(remark_words(found)),
        },
        "offset_ms": rounded(offset_ms, 4),
        "recorders_ms": rounded(apart_ms, 4),
        "drift_ppm": rounded(drift_ppm, 3) if drift_ppm else None,
        "offset_std_ms": rounded(found.offset_std_ms, 4),
        "offset_method": found.offset_method,
        "path_difference_m": rounded(found.path_difference_m, 3),
        "level_difference_db": rounded(found.level_difference_db, 1),
        "correlation": rounded(found.correlation, 3),
        "mono_sum_loss_db": rounded(found.mono_sum_loss_db, 1),
        "mono_sum_loss_flipped_db": rounded(found.mono_sum_loss_flipped_db, 1),
        "worst_moment": None
        if found.worst_moment_s is None
        else {
            "time_s": rounded(found.worst_moment_s, 1),
            "mono_sum_loss_db": rounded(found.worst_moment_loss_db, 1),
        },
        "mixed_signs": found.wiring.mixed,
        "low_cut": None
        if found.low_cut is None
        else {
            "track": found.other if found.low_cut.side == "other" else found.reference,
            "corner_hz": rounded(found.low_cut.corner_hz, 0),
        },
        "pad_db": found.pad_db,
        "octaves": [
            {
                "centre_hz": octave.centre_hz,
                "level_dbfs": rounded(octave.level_dbfs, 1),
                "level_difference_db": rounded(octave.level_difference_db, 1),
                "coherence": rounded(octave.coherence, 2),
                "phase_deg": rounded(octave.phase_deg, 0),
                "correlation": rounded(octave.correlation, 2),
                "aligned_correlation": rounded(octave.aligned_correlation, 2),
                "mono_sum_loss_db": rounded(octave.mono_sum_loss_db, 1),
                "mono_sum_loss_flipped_db": rounded(octave.mono_sum_loss_flipped_db, 1),
            }
            for octave in found.octaves
        ],
        "history": {
            "window_s": found.history.window_s,
            "correlation": [rounded(value, 2) for value in found.history.correlation],
            "mono_sum_loss_db": [rounded(value, 1) for value in found.history.mono_sum_loss_db],
        },
        "remarks": [
            {
                "code": remark.code,
                "track": remark.track,
                "value": rounded(remark.value, 2),
                "at_hz": rounded(remark.at_hz, 0),
            }
            for remark in found.remarks
        ],
    }
