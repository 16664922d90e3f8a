"""The decision stage by itself: arrivals and signs are given as they truly are, levels come from the mix.

Conventions: as in `sessions_stems` and `setting_scores`.
"""

from collections.abc import Mapping

import numpy as np
from sessions_stems import LINKED, StemKit
from setting_scores import Set

#: Strokes of a source that go into its spectra.
MOST_STROKES = 24


def clear_strokes(kit: StemKit, source: str) -> np.ndarray:
    """Return the times of the strokes of a source that others disturb least."""
    own = np.array(next(stem.struck_s for stem in kit.stems if stem.name == source))
    others = np.concatenate([stem.struck_s for stem in kit.stems if stem.name != source])
    gap = others[None, :] - own[:, None]
    near = np.min(np.where(gap < 0, -3 * gap, gap), axis=1)
    return own[np.sort(np.argsort(-near, kind="stable")[:MOST_STROKES])]


def given_scene(kit: StemKit, *, anchor: str = "oh_left"):
    """Make the scene of a kit from its truth; only the spectra are measured."""
    from polaritykit.audio.array_recording import ArrayRecording
    from polaritykit.decide.scene import Scene, Sound
    from polaritykit.decide.source_sums import struck_spectra

    names = kit.names
    recording = ArrayRecording(kit.tracks, kit.sample_rate_hz)
    own = kit.own
    sounds = []
    for stem in kit.stems:
        home = names.index(stem.home)
        times = clear_strokes(kit, stem.name)
        at = np.round((times + stem.arrival_ms[home] * 1e-3) * kit.sample_rate_hz).astype(np.int64)
        sounds.append(
            Sound(
                home=home,
                arrival_s=stem.arrival_ms * 1e-3,
                level_db=10 * np.log10(stem.energy),
                spectra=struck_spectra(recording, at),
            )
        )
    n = len(names)
    # The direct sound of each track's own source, against the same source at the anchor.
    place = names.index(anchor)
    signs = np.array([kit.stems[own[t]].sign[t] * kit.stems[own[t]].sign[place] for t in range(n)], float)
    return Scene(
        signs=signs,
        sign_known=np.ones(n, dtype=bool),
        related=np.ones(n, dtype=bool),
        usable=np.ones(n, dtype=bool),
        room=np.array([name.startswith("room") for name in names]),
        linked=tuple((names.index(a), names.index(b)) for a, b in LINKED if a in names and b in names),
        anchor=place,
        sounds=tuple(sounds),
        own=own,
        gains=1 / np.sqrt([float(np.mean(np.square(x, dtype=float))) for x in kit.tracks.values()]),
    )


def given_setting(kit: StemKit) -> tuple[Set, object]:
    """Decide on a kit whose arrivals and signs are known."""
    from polaritykit.decide.source_sums import JUDGED_HZ  # noqa: F401
    from polaritykit.decide.stage import decide

    scene = given_scene(kit)
    decision = decide(scene)
    shifts = np.array([s.shift_s for s in decision.shifts]) * 1e3
    settled = np.array([s.reason in SETTLED for s in decision.shifts])
    said = {(kit.names[x.home], x.octave_hz) for s in decision.shifts for x in s.losses}
    return Set(signs=scene.signs, shifts_ms=shifts, settled=settled, said=frozenset(said)), decision


#: Reasons of tracks whose shift is what the frame asks for.
SETTLED: frozenset[str] = frozenset({"coincide", "fuller", "octave", "image", "together", "anchor"})


def reasons(kit: StemKit, decision: object) -> Mapping[str, str]:
    """Tell what was said of each track, for a look."""
    return {
        name: f"{s.reason} {s.shift_s * 1e3:+.2f} ({s.gain_db if s.gain_db is None else round(s.gain_db, 1)})"
        for name, s in zip(kit.names, decision.shifts, strict=True)  # type: ignore[attr-defined]
    }
