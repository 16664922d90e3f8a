"""What must not matter to a setting, and sessions that hold a sound twice: copies, and buses printed beside.

Each function analyses from the audio alone and tells one or several figures of a kit with known parts.

Conventions: as in `sessions_stems` and `setting_scores`.
"""

from collections.abc import Callable, Mapping
from dataclasses import replace

import numpy as np
from sessions_base import delayed
from sessions_stems import LINKED, Stem, StemKit
from setting_scores import Set, flips, harmed, source_octaves

#: Tracks of the bus, as far as there are, and how late it is: none, and a plug-in chain's (samples).
BUS = ("snare_top", "snare_bottom", "tom_1", "tom_2")
LATE_SAMPLES = (0, 256)


def same_settings(kit: StemKit, seed: int, decide: Callable[[StemKit], Set]) -> Mapping[str, float]:
    """Largest change of any shift (ms; infinite for a flip) by what must not matter.

    The unrelated tracks are a noise that goes on, and one that is struck at moments of its own.
    """
    from polaritykit.analysis import analyse
    from polaritykit.audio.array_recording import ArrayRecording

    rng = np.random.default_rng([seed, 99])
    names = list(kit.names)
    plain = decide(kit)
    settings = dict(zip(names, zip(plain.signs, plain.shifts_ms, strict=True), strict=True))

    def against(tracks: Mapping[str, np.ndarray], named: Mapping[str, str]) -> float:
        back = {new: old for old, new in named.items()}
        found = analyse(
            ArrayRecording(tracks, kit.sample_rate_hz),
            anchor=named["oh_left"],
            linked=tuple((named[a], named[b]) for a, b in LINKED if {a, b} <= set(names)),
        )
        worst = 0.0
        for track in found.corrections.tracks:
            if track.name in back:
                sign, shift = settings[back[track.name]]
                flipped = (sign < 0) != track.invert
                worst = max(worst, np.inf if flipped else abs(shift - track.shift_ms))
        return float(worst)

    itself = {name: name for name in names}
    order = rng.permutation(len(names))
    n = len(next(iter(kit.tracks.values())))
    noise = (0.1 * rng.standard_normal(n)).astype(np.float32)
    gains = dict(zip(names, 10 ** (rng.uniform(-12, 12, len(names)) / 20), strict=True))
    renamed = {name: f"channel {k:02d}" for k, name in enumerate(names)}
    return {
        "order of tracks": against({names[k]: kit.tracks[names[k]] for k in order}, itself),
        "an unrelated track": against({**kit.tracks, "talkback": noise}, itself),
        "an unrelated track with onsets": against(
            {**kit.tracks, "loop": noise * struck(n, kit.sample_rate_hz, rng)}, itself
        ),
        "gains": against({m: (gains[m] * x).astype(np.float32) for m, x in kit.tracks.items()}, itself),
        "names": against({renamed[m]: x for m, x in kit.tracks.items()}, renamed),
    }


def struck(n: int, rate: int, rng: np.random.Generator) -> np.ndarray:
    """Envelope of strokes at moments of their own, two a second."""
    moments = np.zeros(n)
    moments[rng.integers(0, n, 2 * n // rate)] = 1.0
    decay = np.exp(-np.arange(round(0.4 * rate)) / (0.08 * rate))
    return np.convolve(moments, decay)[:n].astype(np.float32)


def copies_left(kit: StemKit) -> float:
    """Level of a snare mic with a late, turned-over copy of it once both are set, dB above the mic alone."""
    from polaritykit.analysis import analyse
    from polaritykit.audio.array_recording import ArrayRecording

    copied = "snare_top"
    tracks = {**kit.tracks, f"{copied}.dup1": -delayed(kit.tracks[copied], 64.0).astype(np.float32)}
    found = analyse(ArrayRecording(tracks, kit.sample_rate_hz), anchor="oh_left")
    total = np.zeros(len(kit.tracks[copied]))
    for track in found.corrections.tracks:
        if track.name.startswith(copied):
            lag = track.delay_ms * 1e-3 * kit.sample_rate_hz
            total += (-1 if track.invert else 1) * delayed(tracks[track.name], lag)
    alone = kit.tracks[copied].astype(float)
    return float(10 * np.log10(np.dot(total, total) / np.dot(alone, alone)))


def buses(kit: StemKit, decide: Callable[[StemKit], Set]) -> Mapping[str, object]:
    """Rows of a kit with a bus of several of its tracks printed beside them, in time and late.

    A kit with flips and delays on its tracks (a twin), so that there is something to set.
    """
    plain = decide(kit)
    rows: dict[str, object] = {}
    for late in LATE_SAMPLES:
        made = with_bus(kit, late)
        setting = decide(made)
        octaves = source_octaves(made, setting)
        told = f"with a bus {late} samples late"
        moved = np.abs(setting.shifts_ms[:-1] - plain.shifts_ms)
        rows[f"{told}: flips set that are right"] = list(flips(made, setting).right)
        rows[f"{told}: harmed in the sum of all tracks"] = [len(harmed(octaves, whole=True)), len(octaves)]
        rows[f"{told}: of these said"] = [
            sum(o.said for o in harmed(octaves, whole=True)),
            len(harmed(octaves, whole=True)),
        ]
        rows[f"{told}: largest change of a shift of the others, ms"] = float(moved.max())
    return rows


def with_bus(kit: StemKit, late_samples: int) -> StemKit:
    """Add the sum of some tracks as one more, some samples late."""
    parts = [kit.names.index(name) for name in BUS if name in kit.names]
    late_ms = 1e3 * late_samples / kit.sample_rate_hz
    summed = np.sum([kit.tracks[kit.names[k]] for k in parts], axis=0)
    bus = np.concatenate([np.zeros(late_samples), summed])[: len(summed)].astype(np.float32)

    def heard(stem: Stem) -> Stem:
        turn = np.exp(-2j * np.pi * stem.frequency_hz * late_ms * 1e-3)
        spectra = stem.spectra[parts].sum(axis=0) * turn
        loudest = parts[int(np.argmax(stem.energy[parts]))]
        # A bus of mics that hear a source with either sign has none of its own.
        signs = set(stem.sign[parts].tolist())
        sign = signs.pop() if len(signs) == 1 else 0
        # Octaves that are not judged: as if the parts were in no step.
        octave = stem.octave_energy[:, parts].sum(axis=1)
        return replace(
            stem,
            arrival_ms=np.append(stem.arrival_ms, stem.arrival_ms[loudest] + late_ms),
            sign=np.append(stem.sign, sign),
            energy=np.append(stem.energy, octave.sum()),
            spectra=np.vstack([stem.spectra, spectra]).astype(np.complex64),
            octave_energy=np.column_stack([stem.octave_energy, octave]),
        )

    return replace(
        kit, tracks={**kit.tracks, "drum_bus": bus}, stems=tuple(heard(stem) for stem in kit.stems)
    )
