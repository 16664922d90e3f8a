"""A session of the demo: its records, its tracks rendered, and the truth about them.

Truth is geometry: where the microphones stand and how they are wired, never a measurement of the sound.

Conventions
-----------
arrival
    the first sound of a source at a microphone comes from the struck point of the face that this microphone
    hears louder; the wave in a head is slower than sound in air, so no other point can be earlier.
sign
    +1 where the blow first raises the sample, wiring included.
levels
    ``direct_dbfs`` is the peak of the direct sound alone, from path gains (pattern, distance, side);
    ``direct_rms_dbfs`` its root-mean-square over the take, by which the dominant source of a pair is chosen.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np

from polaritykit.base.types import Floats
from polaritykit.jobs.demo.room import (
    SPEED_OF_SOUND_M_PER_S,
    Microphone,
    Radiator,
    Room,
    direct_path,
    hear,
    impulse_response,
    roll_off,
)

BOATHOUSE = Room(size_m=(6.4, 6.2, 2.9), rt60_s=0.35)
#: A source counts as heard in a track when its direct sound peaks this far above the track's noise (RMS).
HEARD_DB = 20.0
#: One face must beat the other by this much for the source to have a sign at a microphone.
CLEAR_DB = 5.0

#: Stands in every truth file.
CONVENTIONS = {
    "delay_ms": "from the blow to the first direct sound, from the struck point (of the louder head here)",
    "begins_at": "where each head is struck, or moves after late_ms; delay_ms is measured from one of these",
    "sign": "+1 where the blow first raises the sample, wiring included",
    "direct_dbfs": "peak of the direct sound alone",
    "clear": "one side of the source outweighs the other at this microphone",
    "heard": "the direct sound peaks 20 dB over the track's noise",
    "offset_ms": "positive when the other track hears the source later",
    "pairs": "offset and polarity are those of the source with most direct energy in both tracks together",
    "wiring": "what the cables alone would give",
}


@dataclass(frozen=True, kw_only=True)
class Face:
    """Radiating points that move as one side of a source; the first is where its sound begins."""

    radiators: tuple[Radiator, ...]
    #: One row per radiator.
    signals: Floats


@dataclass(frozen=True, kw_only=True)
class Source:
    """Something that sounds, with the track it belongs to."""

    name: str
    home: str
    faces: tuple[Face, ...]
    #: Times of the strikes (syllables, plucks) in seconds.
    starts_s: tuple[float, ...]


@dataclass(frozen=True, kw_only=True)
class Session:
    """All that is needed to render a session and to state its truth."""

    name: str
    sample_rate_hz: int
    room: Room
    microphones: tuple[Microphone, ...]
    sources: tuple[Source, ...]
    #: Seeds the tails of the room and the noise floors.
    seed: int

    @property
    def n_samples(self) -> int:
        """Length of every track."""
        return int(self.sources[0].faces[0].signals.shape[1])


@dataclass(frozen=True, kw_only=True)
class Rendered:
    """The tracks of a session and what was done to get them there."""

    #: ``(n_tracks, n_samples)``, full scale 1.0.
    tracks: Floats
    #: Gain of each track after its microphone.
    gains: Floats


def render(session: Session) -> Rendered:
    """Render all tracks: room, patterns, roll-offs, wiring, level and noise floor.

    Returns
    -------
    Rendered
        The same samples every time, since all noise is seeded by the session.
    """
    rate_hz, room = session.sample_rate_hz, session.room
    n_taps = int(1.1 * room.rt60_s * rate_hz)
    noise = np.random.RandomState(session.seed)  # the one stream numpy promises never to change
    heard = np.zeros((len(session.microphones), session.n_samples))
    for source in session.sources:
        tails = noise.standard_normal((len(session.microphones), n_taps))
        for face in source.faces:
            responses = np.array(
                [
                    [shield(m, source) * impulse_response(room, r, m, tail, rate_hz) for r in face.radiators]
                    for m, tail in zip(session.microphones, tails, strict=True)
                ]
            )
            heard += hear(face.signals, responses)
    gains = np.zeros(len(heard))
    for row, microphone in enumerate(session.microphones):
        heard[row] = roll_off(heard[row], microphone, rate_hz)
        gains[row] = 10 ** (microphone.peak_dbfs / 20) / np.abs(heard[row]).max()
        floor = roll_off(noise.standard_normal(session.n_samples), microphone, rate_hz)
        floor *= 10 ** (microphone.noise_dbfs / 20) / floor.std()
        heard[row] = (-1 if microphone.inverted else 1) * gains[row] * heard[row] + floor
    return Rendered(tracks=heard, gains=gains)


def shield(microphone: Microphone, source: Source) -> float:
    """Gain of whatever stands between a microphone and all sources but one."""
    shielded = microphone.shielded_source not in {None, source.name}
    return float(10 ** (-microphone.shield_db / 20)) if shielded else 1.0


def _arrival(source: Source, microphone: Microphone, gain: float) -> dict[str, Any]:
    """Arrival, sign and level of the direct sound of one source in one track."""
    strengths, energies = [], []
    for face in source.faces:
        gains = np.array([direct_path(radiator, microphone)[1] for radiator in face.radiators])
        direct = gains @ face.signals
        strengths.append(np.sign(gains.sum()) * np.abs(direct).max())
        energies.append(float(np.mean(direct**2)))
    louder = int(np.argmax(np.abs(strengths)))
    rival = max(np.delete(np.abs(strengths), louder), default=0.0)
    level = max(abs(strengths[louder]) * gain * shield(microphone, source), 1e-9)
    sign = (1 if strengths[louder] > 0 else -1) * (-1 if microphone.inverted else 1)
    delay_s, _ = direct_path(source.faces[louder].radiators[0], microphone)
    direct_dbfs = float(20 * np.log10(level))
    rms = np.sqrt(max(energies)) * gain * shield(microphone, source)
    return {
        "track": microphone.name,
        "delay_ms": round(1000 * delay_s, 4),
        "sign": sign,
        "direct_dbfs": round(direct_dbfs, 1),
        "direct_rms_dbfs": round(float(20 * np.log10(max(rms, 1e-9))), 1),
        "clear": bool(abs(strengths[louder]) >= 10 ** (CLEAR_DB / 20) * rival),
        "heard": bool(direct_dbfs >= microphone.noise_dbfs + HEARD_DB),
    }


def _pair(a: Microphone, b: Microphone, sources: list[dict[str, Any]]) -> dict[str, Any]:
    """Gather what every source says about one pair, and the source with most energy in both together."""
    answers = []
    for source in sources:
        first, second = (next(x for x in source["arrivals"] if x["track"] == m.name) for m in (a, b))
        if first["heard"] and second["heard"]:
            clear = first["clear"] and second["clear"]
            same = first["sign"] == second["sign"]
            answers.append(
                {
                    "source": source["name"],
                    "offset_ms": round(second["delay_ms"] - first["delay_ms"], 4),
                    "polarity": ("same" if same else "inverted") if clear else "unclear",
                    "level_dbfs": round(first["direct_rms_dbfs"] + second["direct_rms_dbfs"], 1) / 2,
                }
            )
    answers.sort(key=lambda answer: -answer["level_dbfs"])
    dominant = answers[0] if answers else {"source": None, "offset_ms": None, "polarity": None}
    return {
        "reference": a.name,
        "other": b.name,
        "wiring": "same" if a.inverted == b.inverted else "inverted",
        "dominant_source": dominant["source"],
        "offset_ms": dominant["offset_ms"],
        "polarity": dominant["polarity"],
        "sources": answers,
    }


def truth(session: Session, gains: Floats) -> dict[str, Any]:
    """State the truth about a session as one JSON-safe dict.

    Parameters
    ----------
    session : Session
        Its geometry and wiring.
    gains : array, shape (n_tracks,)
        Gains of the tracks as rendered (for the levels alone).
    """
    mics = session.microphones
    sources = [
        {
            "name": source.name,
            "home": source.home,
            "begins_at": [
                {
                    "position_m": [round(float(part), 4) for part in face.radiators[0].position_m],
                    "late_ms": round(1000 * face.radiators[0].late_s, 4),
                }
                for face in source.faces
            ],
            "starts_s": [round(start, 6) for start in source.starts_s],
            "arrivals": [_arrival(source, m, float(g)) for m, g in zip(mics, gains, strict=True)],
        }
        for source in session.sources
    ]
    return {
        "session": session.name,
        "sample_rate_hz": session.sample_rate_hz,
        "speed_of_sound_m_per_s": SPEED_OF_SOUND_M_PER_S,
        "conventions": CONVENTIONS,
        "tracks": [
            {
                "name": m.name,
                "file": f"{m.name}.flac",
                "wired": "backwards" if m.inverted else "right",
                "position_m": list(m.position_m),
                "aim": [round(float(part), 4) for part in m.aim],
                "omni_share": m.omni_share,
                "noise_dbfs": m.noise_dbfs,
            }
            for m in mics
        ],
        "sources": sources,
        "pairs": [_pair(a, b, sources) for i, a in enumerate(mics) for b in mics[i + 1 :]],
    }
