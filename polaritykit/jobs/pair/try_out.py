"""What the page of two tracks needs to try a setting on them: their spectra, a moment to see, one to hear.

Conventions: offsets and delays in ms, of the second track against the first; a delay is positive when the
second track is delayed.
"""

from dataclasses import asdict
from typing import Any

import numpy as np

from polaritykit.audio.excerpt import Cutter, Sound
from polaritykit.base.types import Recording
from polaritykit.spectra.pool import SpectrumPool
from polaritykit.spectra.stored import Wanted, curves_entry, encode_samples

#: Windows of the take that are looked at for one to show.
_WINDOWS = 60
_WAVE_S, _BEFORE_S, _WAVE_HZ = 0.045, 0.008, 24_000
_SOUND_S, _FADE_S, _SOUND_HZ = 4.0, 0.01, 48_000
#: Of the spectra; as fine as those of a check.
_FRAME_S = 0.17
_MOST_FRAMES = 4000
_BLOCK_SAMPLES = 1 << 18
_CURVE_CHARACTERS = 1_000_000
_WHOLE_HZ = (20.0, 20_000.0)


def try_out(
    recording: Recording,
    *,
    offset_ms: float | None,
    inverted: bool | None,
    advised: tuple[bool, float] | None,
    audio: bool,
) -> dict[str, Any]:
    """Collect what `bench.js` draws and plays for two tracks.

    Parameters
    ----------
    recording : Recording
        Two tracks.
    offset_ms : float or None
        Of the second against the first, where one is known.
    inverted : bool or None
        Their polarity, where it is known.
    advised : (bool, float) or None
        Flip and delay of the second track that the job recommends; None where it recommends nothing.
    audio : bool
        Keep some seconds to hear.

    Returns
    -------
    dict
        ``curves``, ``waves``, ``audio`` and ``pairs`` as the page of a check has them.
    """
    names = recording.track_names
    rate = recording.sample_rate_hz
    fft_size = 2 ** round(np.log2(_FRAME_S * rate))
    hop = max(fft_size // 2, recording.n_samples // _MOST_FRAMES)
    pool = SpectrumPool(2, rate, fft_size, hop_samples=hop)
    for _, block in recording.blocks(_BLOCK_SAMPLES):
        pool.update(block)
    wanted = Wanted(
        pair=(0, 1),
        aligned_ms=offset_ms or 0.0,
        sources=((None if inverted is None else offset_ms, bool(inverted)),),
    )
    curves = curves_entry(pool.result(), names, (wanted,), most_characters=_CURVE_CHARACTERS)
    start_s = _moment(recording, offset_ms or 0.0, _WAVE_S)
    wave = Cutter(recording, length_s=_WAVE_S, fade_s=0.0, most_hz=_WAVE_HZ)
    sounds = None
    if audio:
        length_s = min(_SOUND_S, recording.n_samples / rate)
        sound = Cutter(recording, length_s=length_s, fade_s=_FADE_S, most_hz=_SOUND_HZ)
        sounds = _excerpt(names, sound, _moment(recording, offset_ms or 0.0, length_s))
    return {
        "sample_rate": rate,
        "curves": curves,
        "waves": _excerpt(names, wave, start_s),
        "audio": sounds,
        "pairs": [
            {
                "reference": names[0],
                "other": names[1],
                "curve": 0,
                "offset_ms": offset_ms,
                "session": None if advised is None else {"invert": advised[0], "delay": advised[1]},
                "session_words": "As advised",
                "sources": [
                    {
                        "home": "both tracks",
                        "label": "both tracks",
                        "band_hz": list(_WHOLE_HZ),
                        "offset_ms": offset_ms,
                        "offset_words": "",
                        "notches": curves["pairs"][0]["notches"][0],
                    }
                ],
            }
        ],
    }


def _excerpt(names: tuple[str, ...], cutter: Cutter, start_s: float) -> dict[str, Any]:
    sounds = [cutter.cut(track, name, start_s) for track, name in enumerate(names)]
    around = f"a moment at {start_s:.1f} s"
    pair = {"reference": names[0], "other": names[1], "around": around, "a": 0, "b": 1, "hit_s": None}
    return {"sample_rate": cutter.rate_hz, "sounds": [_stored(sound) for sound in sounds], "pairs": [pair]}


def _stored(sound: Sound) -> dict[str, Any]:
    return asdict(sound) | {"samples": encode_samples(sound.samples)}


def _moment(recording: Recording, offset_ms: float, length_s: float) -> float:
    """Where both are loud and most alike, the offset taken out."""
    rate = recording.sample_rate_hz
    latest = max(0.0, recording.n_samples / rate - length_s)
    starts = np.linspace(0.0, latest, max(1, min(_WINDOWS, int(latest / length_s) + 1)))
    late = round(offset_ms * 1e-3 * rate)
    best, most = 0.0, -1.0
    for start in starts:
        first = round(float(start) * rate)
        a, b = recording.read(first, first + round(length_s * rate)).astype(np.float64)
        a, b = (a[: len(a) - late], b[late:]) if late >= 0 else (a[-late:], b[: len(b) + late])
        alike = abs(float(np.sum(a * b)))
        if alike > most:
            best, most = float(start), alike
    return best
