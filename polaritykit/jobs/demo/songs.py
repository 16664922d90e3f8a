"""The demo's plucked strings and voice: a stereo pair of two models, and two microphones that leak.

The same invented trio as in the drum session: first its guitar alone in front of a pair of unlike
microphones, then the singer with the guitar on the knee.  Positions in metres; y points from the player to
the room, z up.
"""

import numpy as np

from polaritykit.base.types import Floats
from polaritykit.jobs.demo.room import SPEED_OF_SOUND_M_PER_S, Microphone, Point, Radiator, direction
from polaritykit.jobs.demo.session import BOATHOUSE, Face, Session, Source
from polaritykit.jobs.demo.sources import Noise, plucked_string, sung_syllable

_RATE_HZ = 48000
#: Open chords from low to high string, Hz (equal temperament, A = 440).
_CHORDS = {
    "Am": (110.00, 164.81, 220.00, 261.63, 329.63),
    "F": (87.31, 130.81, 174.61, 220.00, 261.63),
    "C": (130.81, 164.81, 196.00, 261.63, 329.63),
    "G": (98.00, 123.47, 146.83, 196.00, 246.94, 392.00),
}
#: Order in which the strings of a chord are picked, one an eighth note.
_PICKING = (0, 2, 3, 4, 1, 3, 4, 2)


def _guitar_notes(chords: tuple[str, ...], start_s: float, eighth_s: float) -> list[tuple[float, float]]:
    """Plucks as ``(time in seconds, pitch in Hz)``: each chord picked through once."""
    return [
        (start_s + (8 * bar + step) * eighth_s, _CHORDS[chord][string])
        for bar, chord in enumerate(chords)
        for step, string in enumerate(_PICKING)
    ]


def _guitar(
    home: str, bridge_m: Point, notes: list[tuple[float, float]], duration_s: float, noise: Noise
) -> Source:
    """Guitar that begins to sound at its bridge; the sound hole follows with the low resonance of the body.

    The hole's air resonance near 100 Hz and the top's near 200 Hz: Fletcher & Rossing, The Physics of
    Musical Instruments, 2nd ed., chapter 9.
    """
    from scipy.signal import butter, iirpeak, lfilter, sosfilt

    sound = np.zeros(int(duration_s * _RATE_HZ))
    for time_s, pitch_hz in notes:
        start = round((time_s + noise.uniform(-0.006, 0.006)) * _RATE_HZ)
        length_s = min(2.2, (len(sound) - start) / _RATE_HZ)
        string = plucked_string(pitch_hz, length_s, 2.5 * (110 / pitch_hz) ** 0.3, _RATE_HZ, noise)
        sound[start : start + len(string)] += noise.uniform(0.6, 1.0) * string
    sound = sosfilt(butter(1, 5000, fs=_RATE_HZ, output="sos"), sound)
    body = 0.8 * lfilter(*iirpeak(105, 4, fs=_RATE_HZ), sound) + 0.8 * lfilter(
        *iirpeak(205, 5, fs=_RATE_HZ), sound
    )
    x, y, z = bridge_m
    hole_m = (x + 0.14, y, z + 0.02)
    late_s = 0.15 / SPEED_OF_SOUND_M_PER_S
    radiators = (
        Radiator(position_m=bridge_m, gain=1.0, axis=(0, 1, 0), shading=0.5),
        Radiator(position_m=hole_m, gain=1.0, axis=(0, 1, 0), shading=0.5, late_s=late_s),
    )
    face = Face(radiators=radiators, signals=np.stack([sound, body]))
    return Source(name="guitar", home=home, faces=(face,), starts_s=tuple(time_s for time_s, _ in notes))


def stereo_pair() -> Session:
    """Ten seconds of picked guitar in front of two unlike microphones, the right one wired backwards."""
    noise = np.random.RandomState(1611)  # the one stream numpy promises never to change
    bridge: Point = (2.75, 2.00, 0.78)
    notes = _guitar_notes(("Am", "F", "C", "G"), 0.4, 0.28)
    left, right = (2.84, 3.05, 1.02), (3.16, 3.05, 1.02)
    microphones = (
        Microphone(
            name="pair_left",
            position_m=left,
            aim=direction(left, (2.5, 2.0, 0.8)),
            omni_share=0.5,
            highpass_hz=35,
            lowpass_hz=18000,
            peak_dbfs=-8,
            noise_dbfs=-78,
        ),
        Microphone(
            name="pair_right",
            position_m=right,
            aim=direction(right, (3.5, 2.0, 0.8)),
            omni_share=0.65,
            highpass_hz=80,
            lowpass_hz=13000,
            peak_dbfs=-11,
            noise_dbfs=-75,
            inverted=True,
        ),
    )
    return Session(
        name="stereo_pair",
        sample_rate_hz=_RATE_HZ,
        room=BOATHOUSE,
        microphones=microphones,
        sources=(_guitar("pair_left", bridge, notes, 10.0, noise),),
        seed=1612,
    )


#: Sung line: time in seconds, vowel, pitch in Hz, length in seconds, sibilant first.
_LINE = (
    (3.9, "o", 220.00, 0.45, False),
    (4.5, "e", 246.94, 0.40, True),
    (5.1, "a", 261.63, 0.70, False),
    (6.0, "i", 246.94, 0.40, True),
    (6.6, "u", 220.00, 0.80, False),
    (8.2, "a", 196.00, 0.50, True),
    (8.9, "e", 220.00, 0.45, False),
    (9.5, "o", 261.63, 0.80, False),
    (10.5, "i", 293.66, 0.50, True),
    (11.2, "a", 261.63, 1.00, False),
)


def _voice(mouth_m: Point, duration_s: float, noise: Noise) -> Source:
    """Sing the line; the mouth favours the front."""
    sound = np.zeros(int(duration_s * _RATE_HZ))
    for time_s, vowel, pitch_hz, length_s, hiss in _LINE:
        syllable = sung_syllable(vowel, pitch_hz, length_s, _RATE_HZ, noise, hiss=hiss)
        start = round(time_s * _RATE_HZ)
        sound[start : start + len(syllable)] += noise.uniform(0.8, 1.0) * syllable
    mouth = Radiator(position_m=mouth_m, gain=1.0, axis=(0, 1, 0), shading=0.7)
    signals: Floats = sound[None, :]
    face = Face(radiators=(mouth,), signals=signals)
    return Source(
        name="voice", home="01_voice", faces=(face,), starts_s=tuple(time_s for time_s, *_ in _LINE)
    )


def leaky_vocal() -> Session:
    """Guitar alone, voice alone, then both; two microphones, wired right, each hearing the other's source."""
    noise = np.random.RandomState(1621)  # the one stream numpy promises never to change
    mouth, bridge = (3.10, 2.30, 1.22), (2.98, 2.42, 0.76)
    notes = _guitar_notes(("Am",), 0.4, 0.3) + _guitar_notes(("C", "G", "Am"), 7.8, 0.24)
    voice_mic, guitar_mic = (3.11, 2.39, 1.20), (2.90, 2.66, 0.84)
    microphones = (
        Microphone(
            name="01_voice",
            position_m=voice_mic,
            aim=direction(voice_mic, mouth),
            omni_share=0.5,
            highpass_hz=70,
            lowpass_hz=14000,
            peak_dbfs=-7,
            noise_dbfs=-78,
        ),
        Microphone(
            name="02_guitar",
            position_m=guitar_mic,
            aim=direction(guitar_mic, bridge),
            omni_share=0.5,
            highpass_hz=40,
            lowpass_hz=17000,
            peak_dbfs=-9,
            noise_dbfs=-78,
        ),
    )
    guitar = _guitar("02_guitar", bridge, notes, 14.0, noise)
    return Session(
        name="leaky_vocal",
        sample_rate_hz=_RATE_HZ,
        room=BOATHOUSE,
        microphones=microphones,
        sources=(_voice(mouth, 14.0, noise), guitar),
        seed=1622,
    )
