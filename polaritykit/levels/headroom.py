"""Headroom of a sum, and what to do about level faults, in the order the trade does it.

Conventions: levels are dB, 0 dBFS is a full-scale sample; sentences name the track's trouble, then the
remedy.  Microphone's own pad first, then the preamp's, and never digital full scale: common practice,
no source.
"""

from collections.abc import Iterable, Iterator, Sequence

import numpy as np

from polaritykit.base.types import Recording, Samples
from polaritykit.levels.meter import LevelMeter, TrackLevels
from polaritykit.levels.settings import LevelSettings


def worst_sum_dbfs(peaks_dbfs: Iterable[float | None]) -> float | None:
    """Highest peak the plain sum of tracks can reach, whatever their polarity and delay.

    Parameters
    ----------
    peaks_dbfs : iterable of float or None
        (True) peaks of the tracks; None is silence.

    Returns
    -------
    float or None
        ``20·log10 Σ 10^(peak/20)``: all peaks at one instant.

    Examples
    --------
    >>> round(worst_sum_dbfs([-12.0412, -12.0412]), 2)
    -6.02
    """
    total = sum(10 ** (peak / 20) for peak in peaks_dbfs if peak is not None)
    return 20 * float(np.log10(total)) if total > 0 else None


def sum_headroom_db(blocks: Iterable[Samples]) -> float | None:
    """Headroom of the plain sum of tracks: how far its true peak stays under full scale.

    Parameters
    ----------
    blocks : iterable of array, shape (n_tracks, n)
        Consecutive blocks of the (corrected) tracks, at unity gain.

    Returns
    -------
    float or None
        Positive: room left; negative: the sum must come down by this much.  None for silence.
    """
    meter = LevelMeter(("sum",), 48000)
    for block in blocks:
        meter.update(block.sum(axis=0, keepdims=True, dtype=np.float32))
    peak = meter.result()[0].true_peak_dbtp
    return None if peak is None else -peak


def corrected_blocks(
    recording: Recording,
    inverts: Sequence[bool],
    delay_samples: Sequence[float],
    block_samples: int = 1 << 17,
) -> Iterator[Samples]:
    """Yield the corrected tracks block by block, delays rounded to whole samples (enough for a peak)."""
    n_tracks, whole = len(inverts), [round(delay) for delay in delay_samples]
    for start in range(0, recording.n_samples + max(whole, default=0), block_samples):
        rows = [
            recording.read(start - whole[k], start - whole[k] + block_samples, (k,)) for k in range(n_tracks)
        ]
        yield np.concatenate([-row if invert else row for row, invert in zip(rows, inverts, strict=True)])


def sum_advice(dbtp: float, *, is_bound: bool) -> str:
    """Say what the sum of the corrected tracks reaches.

    Examples
    --------
    >>> sum_advice(-4.03, is_bound=False)
    'The sum of all tracks at unity gain, with these settings, peaks at -4.0 dBTP.'
    """
    reaches = "can reach (all peaks at one moment; less in fact)" if is_bound else "peaks at"
    text = f"The sum of all tracks at unity gain, with these settings, {reaches} {dbtp:+.1f} dBTP"
    if dbtp <= 0.0:
        return text + "."
    if is_bound:
        return text + ": watch the bus."
    return (
        text + f": turn the faders down by {np.ceil(dbtp):.0f} dB at least, or the bus before its converter."
    )


def track_remarks(levels: TrackLevels, settings: LevelSettings | None = None) -> tuple[str, ...]:
    """Say what is wrong with one track's level or wiring, a sentence for each fault.

    Parameters
    ----------
    levels : TrackLevels
        The measured levels.
    settings : LevelSettings, optional
        Thresholds; those the levels were measured with.

    Returns
    -------
    tuple of str
        Nothing for a sound track.
    """
    settings = settings or LevelSettings()
    peak = levels.true_peak_dbtp if levels.true_peak_dbtp is not None else -np.inf
    said = {
        "silent": "Nothing but silence or steady noise: dead channel, or its microphone was not open.",
        "clipped": _clip_remark(levels, settings),
        "true_peak_over": f"True peak {peak:+.1f} dBTP: over full scale between the samples.",
        "dc_offset": f"DC offset of {100 * levels.dc_offset:.2f} % of full scale: check converter or preamp.",
        "duplicate": f"A copy of {levels.duplicate_of}, up to gain and sign: one source on two inputs?",
        "hum": f"Mains hum at {levels.hum_hz or 0:.0f} Hz and harmonics, {levels.hum_dbfs or 0:.0f} dBFS: "
        "check earthing, cables and dimmers.",
        "not_finite": "Holds samples that are not numbers; they were read as silence.",
    }
    remarks = [said[fault] for fault in levels.faults if fault in said]
    if (
        not {"clipped", "true_peak_over", "silent"} & set(levels.faults)
        and -peak < settings.headroom_wanted_db
    ):
        remarks.append(f"Only {max(0.0, -peak):.1f} dB of headroom left.")
    return tuple(remarks)


def _clip_remark(levels: TrackLevels, settings: LevelSettings) -> str:
    if levels.clip_dbfs is None:
        return "Clipped."
    count = f"{levels.clipped_runs} flat top{'s' if levels.clipped_runs > 1 else ''}"
    if 10 ** (levels.clip_dbfs / 20) >= settings.clip_full_scale:
        return f"Clipped: {count} at full scale."
    return (
        f"Clipped: {count} at {levels.clip_dbfs:.1f} dBFS, below full scale: overloaded at the microphone or "
        "preamp, or turned down later; a lower fader does not mend it."
    )


def level_advice(
    track_names: Sequence[str], levels: Sequence[TrackLevels], settings: LevelSettings | None = None
) -> tuple[str, ...]:
    """Say what to set, for the whole session.

    Parameters
    ----------
    track_names : sequence of str
        Names in session order.
    levels : sequence of TrackLevels
        One for each name.
    settings : LevelSettings, optional
        Thresholds.

    Returns
    -------
    tuple of str
        Nothing when every track has headroom.
    """
    settings = settings or LevelSettings()
    over, close = [], []
    for name, level in zip(track_names, levels, strict=True):
        if {"clipped", "true_peak_over"} & set(level.faults):
            over.append(name)
        elif level.true_peak_dbtp is not None and -level.true_peak_dbtp < settings.headroom_wanted_db:
            close.append(name)
    sentences = []
    if over:
        sentences.append(f"Too loud: {', '.join(over)}.")
    if close:
        wanted = settings.headroom_wanted_db
        sentences.append(f"Less than {wanted:.0f} dB under full scale: {', '.join(close)}.")
    if sentences:
        sentences.append(
            "Lower the level at the microphone's own pad first, then at the preamp's pad or gain "
            "(common practice)."
        )
        sentences.append(
            "Never let digital full scale be reached, whatever an analogue meter shows (common practice)."
        )
    return tuple(sentences)
