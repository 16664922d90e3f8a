"""Notches of one delayed copy as a JSON-safe document, the same fields as in a plan's.

Conventions: as `report.json`; see DEVELOPERS.md.
"""

from polaritykit.base.air import SoundSpeed
from polaritykit.base.types import Json
from polaritykit.base.validate import written
from polaritykit.jobs.comb.schema import CombDocument
from polaritykit.pages.head import head
from polaritykit.spectra.comb import CombPrediction, nearest_note


def comb_document(comb: CombPrediction, sample_rate_hz: float) -> Json:
    """Make the document of `polaritykit comb`."""
    document = {
        **head("comb"),
        "sample_rate": sample_rate_hz,
        **comb_fields(comb, sample_rate_hz),
        "notches_std_hz": comb.notches_std_hz.tolist(),
        "peaks_std_hz": comb.peaks_std_hz.tolist(),
        **sound_fields(comb.sound),
        "remarks": [*([comb.sound.note] if comb.sound.note else []), *comb.remarks],
    }
    return written(document, CombDocument)


def comb_fields(comb: CombPrediction, sample_rate_hz: float) -> Json:
    """All of a comb but the air and each notch's uncertainty, which is the delay's in proportion."""
    first = next((float(notch) for notch in comb.notches_hz if notch > 0), None)
    first_std = next(
        (float(s) for n, s in zip(comb.notches_hz, comb.notches_std_hz, strict=True) if n > 0), None
    )
    per_ms = sample_rate_hz / 1000
    return {
        "delay_ms": comb.delay_ms,
        "delay_std_ms": comb.delay_std_ms,
        "delay_samples": comb.delay_ms * per_ms,
        "delay_std_samples": comb.delay_std_ms * per_ms,
        "path_difference_m": comb.path_difference_m,
        "path_difference_std_m": comb.path_difference_std_m,
        "polarity": "inverted" if comb.inverted else "same",
        "level_difference_db": comb.level_difference_db,
        "level_difference_std_db": comb.level_difference_std_db,
        "up_to_hz": comb.up_to_hz,
        "notch_spacing_hz": 1000 / comb.delay_ms if comb.delay_ms > 1e-9 else None,
        "first_notch_hz": first,
        "first_notch_std_hz": first_std,
        "first_notch_note": None if first is None else nearest_note(first),
        "notches_hz": comb.notches_hz.tolist(),
        "peaks_hz": comb.peaks_hz.tolist(),
        "complete_cancellation": comb.notch_depth_db is None,
        "notch_depth_db": comb.notch_depth_db,
        "notch_depth_std_db": comb.notch_depth_std_db,
        "notch_depth_least_db": comb.notch_depth_least_db,
        "peak_height_db": comb.peak_height_db,
        "peak_height_std_db": comb.peak_height_std_db,
        "ripple_db": comb.ripple_db,
        "ripple_std_db": comb.ripple_std_db,
    }


def sound_fields(sound: SoundSpeed) -> Json:
    """Speed of sound with its uncertainty, and what it was worked out from."""
    return {
        "speed_of_sound_mps": sound.speed_mps,
        "speed_of_sound_std_mps": sound.std_mps,
        "speed_of_sound_formula": sound.formula,
        "temperature_c": sound.temperature_c,
        "humidity_percent": sound.humidity_percent,
    }
