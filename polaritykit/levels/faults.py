"""What to say and do about levels and level faults.

Conventions: sentences that end with a full stop: the trouble, then the remedy; dB against full scale.  The
microphone's own pad first, then the preamp's, and never digital full scale: common practice, no source.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from polaritykit.base.wording import number, plural
from polaritykit.levels.clipping import FULL_SCALE
from polaritykit.levels.meter import TrackLevels
from polaritykit.levels.settings import LevelSettings

_DEFAULTS = LevelSettings()


def sum_advice(dbtp: float, *, is_bound: bool) -> str:
    """Say what the sum of the corrected tracks reaches.

    Examples
    --------
    >>> sum_advice(-4.03, is_bound=False)
    'The sum of all tracks at unity gain, with these settings, peaks at −4.0 dBTP.'
    """
    reaches = "can reach (all peaks at one moment; less in fact)" if is_bound else "peaks at"
    text = f"The sum of all tracks at unity gain, with these settings, {reaches} {_signed(dbtp)} dBTP"
    if dbtp <= 0.0:
        return text + "."
    if is_bound:
        return text + ": watch the bus."
    return (
        text + f": turn the faders down by {np.ceil(dbtp):.0f} dB at least, or the bus before its converter."
    )


def _signed(level_db: float | None) -> str:
    return number(level_db, 1, signed=True)


@dataclass(frozen=True, kw_only=True)
class Fault:
    """One kind of fault of a track."""

    words: str
    #: What is wrong and what to do; None where whoever met the fault says it.
    remark: Callable[[TrackLevels], str] | None = None


def _silent(levels: TrackLevels) -> str:
    del levels
    return "Nothing but silence or steady noise: dead channel, or its microphone was not open."


def _clipped(levels: TrackLevels) -> str:
    if levels.clip_dbfs is None:
        return "Clipped."
    count = plural(levels.clipped_runs, "flat top")
    if 10 ** (levels.clip_dbfs / 20) >= FULL_SCALE:
        return f"Clipped: {count} at full scale."
    return (
        f"Clipped: {count} at {number(levels.clip_dbfs)} dBFS, below full scale: overloaded at the mic or "
        "preamp, or turned down later; a lower fader does not mend it."
    )


def _over(levels: TrackLevels) -> str:
    return f"True peak {_signed(levels.true_peak_dbtp)} dBTP: over full scale between the samples."


def _dc(levels: TrackLevels) -> str:
    return f"DC offset of {100 * levels.dc_offset:.2f} % of full scale: check converter or preamp."


def _duplicate(levels: TrackLevels) -> str:
    return f"A copy of {levels.duplicate_of}, up to gain and sign: one source on two inputs?"


def _hum(levels: TrackLevels) -> str:
    return (
        f"Mains hum at {levels.hum_hz or 0:.0f} Hz and harmonics, {number(levels.hum_dbfs, 0)} dBFS: "
        "check cables and dimmers; mains and earthing are for qualified people."
    )


def _not_finite(levels: TrackLevels) -> str:
    del levels
    return "Holds samples that are not numbers; they were read as silence."


#: Code -> all there is to say of it (`tracks[].faults`), in the order in which remarks are made.
FAULTS = {
    "silent": Fault(words="silent", remark=_silent),
    "clipped": Fault(words="clipped", remark=_clipped),
    "true_peak_over": Fault(words="true peak over full scale", remark=_over),
    "dc_offset": Fault(words="DC offset", remark=_dc),
    "duplicate": Fault(words="copy of another track", remark=_duplicate),
    "hum": Fault(words="mains hum", remark=_hum),
    "not_finite": Fault(words="holds samples that are no numbers", remark=_not_finite),
    "unreadable": Fault(words="unreadable"),
    "too_short": Fault(words="too short"),
}


def fault_words(fault: str) -> str:
    """Name a fault; one that only a later version knows by its code.

    Examples
    --------
    >>> fault_words("dc_offset"), fault_words("upside_down")
    ('DC offset', 'upside_down')
    """
    return FAULTS[fault].words if fault in FAULTS else fault


def track_remarks(levels: TrackLevels, settings: LevelSettings = _DEFAULTS) -> tuple[str, ...]:
    """Say what is wrong with one track's level or wiring, a sentence for each fault.

    Parameters
    ----------
    levels : TrackLevels
        The measured levels.
    settings : LevelSettings, optional
        Those the levels were measured with.

    Returns
    -------
    tuple of str
        Nothing for a sound track.
    """
    rows = [FAULTS[fault] for fault in levels.faults if fault in FAULTS]
    remarks = [row.remark(levels) for row in rows if row.remark is not None]
    peak = levels.true_peak_dbtp if levels.true_peak_dbtp is not None else -np.inf
    if (
        not {"clipped", "true_peak_over", "silent"} & set(levels.faults)
        and -peak < settings.headroom_wanted_db
    ):
        remarks.append(f"Only {max(0.0, -peak):.1f} dB of headroom left.")
    return tuple(remarks)


def level_advice(
    track_names: Sequence[str], levels: Sequence[TrackLevels], settings: LevelSettings = _DEFAULTS
) -> tuple[str, ...]:
    """Say what to set, for the whole session.

    Parameters
    ----------
    track_names : sequence of str
        Names in session order.
    levels : sequence of TrackLevels
        One for each name.
    settings : LevelSettings, optional
        Those the levels were measured with.

    Returns
    -------
    tuple of str
        Nothing when every track has headroom.
    """
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
        sentences.append(
            f"Less than {settings.headroom_wanted_db:.0f} dB under full scale: {', '.join(close)}."
        )
    if sentences:
        sentences.append(
            "Lower the level at the microphone's own pad first, then at the preamp's pad or gain "
            "(common practice)."
        )
        sentences.append("Keep digital peaks some dB under full scale (common practice).")
    return tuple(sentences)
