"""A small report of a check, whole by its schema, for tests of what reads one."""

import hashlib

from polaritykit.base.validate import SCHEMA_VERSION, written
from polaritykit.jobs.check.schema import Report

_LEVELS = dict.fromkeys(
    (
        "peak_dbfs",
        "true_peak_dbtp",
        "rms_dbfs",
        "crest_db",
        "noise_floor_dbfs",
        "clip_dbfs",
        "hum_hz",
        "hum_dbfs",
    )
)
_PAIR = dict.fromkeys(
    (
        "relation",
        "offset_ms",
        "offset_std_ms",
        "offset_kind",
        "offset_samples",
        "grade",
        "method",
        "reason",
        "level_difference_db",
        "notch_depth_db",
        "gain_db",
        "drift_ppm",
        "cause",
        "copy",
    )
)
_ADVICE = {
    "action": "leave",
    "invert": False,
    "delay_ms": 0.0,
    "gain_db": 0.0,
    "why": "",
    "shift_ms": 0.0,
    "note": None,
    "reason": None,
    "homes": [],
    "would_gain_db": None,
    "rather": None,
}
_SOURCE = {"kind": "hits", "hits": 9, "offset_std_ms": 0.0, "confidence": 0.9, "level_db": 0.0}
_EFFECTS = dict.fromkeys(("offset_kind", "band_hz", "sum_effect_db", "sum_effect_aligned_db"))


def track(name, **parts):
    """One track."""
    return {
        **_LEVELS,
        "name": name,
        "file": f"{name}.wav",
        "file_base64": None,
        "channel": 0,
        "dc_offset": 0.0,
        "clipped_runs": 0,
        "clipped_samples": 0,
        "duplicate_of": None,
        "faults": [],
        "linked_with": None,
        "remarks": [],
        **parts,
    }


def pair(reference, other, *, sources=(), **parts):
    """One pair; a source needs its home, offset and polarity."""
    return {
        **_PAIR,
        "reference": reference,
        "other": other,
        "related": True,
        "recorders_ms": 0.0,
        "polarity": "same",
        "confidence": 0.9,
        "notches_hz": [],
        "changes": [],
        "holds": [],
        "advice": _ADVICE,
        "sources": [
            {**_SOURCE, **_EFFECTS, "level_difference_db": 0.0, "dissents": False, **source}
            for source in sources
        ],
        **parts,
    }


def correction(name, *, invert=False, delay_ms=0.0):
    """One setting."""
    rest = {"delay_samples": 0.0, "late_ms": None, "why": "", "rule": None, "shift_ms": 0.0}
    rest |= {"status": "not judged", "reason": "alone", "losses": []}
    rest |= {"clauses": [], "flip_against": 0, "flip_tie": False}
    rest |= dict.fromkeys(("flip_reason", "weight", "optional_shift_ms", "own_late_ms", "gain_db", "about"))
    rest |= dict.fromkeys(("flip_about", "late_samples", "either_ms", "loss"))
    rest |= {"sum_of": []}
    return {"name": name, "invert": invert, "delay_ms": delay_ms, **rest}


def made_report(*, tracks, pairs=(), corrections=(), anchor=None, folder=None, **parts):
    """Return the whole document."""
    counts = dict.fromkeys(("pairs", "related", "decided", "inverted", "flips", "delays"), 0)
    document = {
        "schema_version": SCHEMA_VERSION,
        "program": {"name": "polaritykit", "version": "0.1.0"},
        "command": "check",
        "created": "2026-01-01T00:00:00+00:00",
        "session": {
            "name": "session",
            "folder": folder,
            "folder_base64": None,
            "start_times_ignored": False,
            "duration_s": 1.0,
            "n_samples": 48_000,
            "common_s": None,
            "listened_s": None,
            "purpose": "general",
        },
        "sample_rate": 48_000,
        "notes": [],
        "summary": {"headline": "", "sentences": [], "counts": counts},
        "files": [],
        "recorders": [],
        "span_start_s": None,
        "voices": [],
        "tracks": tracks,
        "sources": [],
        "pairs": pairs,
        "corrections": {
            "anchor": anchor,
            "tracks": corrections,
            "groups": [],
            "outvoted": [],
            "loops": [],
            "by_own_strokes": [],
        },
        "kit_sum": {"centre_hz": [], "before_db": [], "after_db": []},
        "served": [],
        "pads": [],
        "sum_peak": None,
        "levels_advice": [],
        "curves": None,
        "waves": None,
        "audio": None,
        "settings": {},
    }
    return written({**document, **parts}, Report)


def fingerprint(folder, file):
    """Describe a file as DEVELOPERS.md says; samples as libsndfile gives them, 32-bit floats."""
    import soundfile

    samples, rate = soundfile.read(folder / file, dtype="float32", always_2d=True)
    return {
        "file": file,
        "file_base64": None,
        "size_bytes": (folder / file).stat().st_size,
        "sample_rate": rate,
        "channels": samples.shape[1],
        "frames": len(samples),
        "start_samples": None,
        "audio_sha256": hashlib.sha256(samples.astype("<f4").tobytes()).hexdigest(),
    }
