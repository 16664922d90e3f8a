"""The pair job's findings as a document.

Conventions: levels to 0.1 dB, times to 0.1 µs.
"""

from typing import Any

from polaritykit.jobs.pair.findings import StereoFindings
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
        "wiring": found.wiring,
        "wiring_reason": found.wiring_reason,
        "invert": found.invert,
        "offset_ms": rounded(offset_ms, 4),
        "recorders_ms": rounded(apart_ms, 4),
        "drift_ppm": rounded(drift_ppm, 3) if drift_ppm else None,
        "offset_std_ms": rounded(found.offset_std_ms, 4),
        "offset_method": None if found.offset_ms is None else found.offset_method,
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
        "mixed_signs": found.mixed_signs,
        "low_cut": None
        if found.low_cut_side is None
        else {
            "track": found.other if found.low_cut_side == "other" else found.reference,
            "corner_hz": rounded(found.low_cut_hz, 0),
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
        "remarks": list(found.remarks),
    }
