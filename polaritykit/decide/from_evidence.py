"""Evidence of an analysis to the scene that settings are decided on.

Conventions: as in `scene`; a recording is read around the strokes and frames that evidence names.
"""

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from polaritykit.base.octaves import octave_bins
from polaritykit.base.processes import in_processes
from polaritykit.base.spans import common_span, spans_of
from polaritykit.base.types import Floats, Recording
from polaritykit.decide.conclusion import Conclusion
from polaritykit.decide.own_octave import timed_by_octave
from polaritykit.decide.ownership import own_sources
from polaritykit.decide.scene import Copy, PrintedSum, Scene, Sound
from polaritykit.decide.source_sums import (
    ALL_HZ,
    GatedSpectra,
    struck_spectra,
    sustained_spectra,
)
from polaritykit.decide.timing import sharp_offsets
from polaritykit.evidence.source import SourceEvidence
from polaritykit.spectra.pool import Spectra
from polaritykit.struck.onsets import Onsets
from polaritykit.struck.own_strokes import own_strokes
from polaritykit.struck.sources import NOT_HEARD_DB

#: Frames of sustained sound that go into a source's spectra.
MOST_FRAMES = 48
#: Up to so many tracks all are held in every source's spectra; of more, those that share sound with the
#: anchor, for no sum has others, and in as many frames as make this many values a bin (some 400 MB of
#: 240 bins), though a few always.
_ALL_HELD = 64
_HELD_VALUES = 1e5
_FEWEST_FRAMES = 4


def scene_of(
    recording: Recording,
    evidence: tuple[SourceEvidence, ...],
    pairs: Mapping[tuple[int, int], Conclusion],
    spectra: Spectra,
    *,
    signs: Floats,
    sign_known: NDArray[np.bool_],
    usable: NDArray[np.bool_],
    linked: tuple[tuple[int, int], ...],
    anchor: int | None,
    frame_samples: int,
    copies: tuple[Copy, ...] = (),
    onsets: Onsets | None = None,
    sums: tuple[PrintedSum, ...] = (),
) -> Scene:
    """Gather what the decision on shifts needs.

    Parameters
    ----------
    recording : Recording
    evidence : tuple of SourceEvidence
    pairs : mapping of (a, b), a < b, to Conclusion
    spectra : Spectra
        Of the whole take.
    signs : ndarray, shape (n_tracks,)
        −1 flips a track.
    sign_known, usable : ndarray of bool, shape (n_tracks,)
    linked : pairs of tracks
    anchor : int or None
    frame_samples : int
        Length of the frames of sustained sound.
    copies : tuple of Copy
    onsets : Onsets, optional
        Of all tracks.
    sums : tuple of PrintedSum

    Returns
    -------
    Scene
    """
    n = len(signs)
    related = np.array([_related(pairs, track, anchor) for track in range(n)], dtype=bool)
    power = spectra.sound_power
    gains = np.divide(1.0, np.sqrt(power), out=np.zeros(n), where=power > 0.0)
    held = None if n <= _ALL_HELD else tuple(np.flatnonzero(related).tolist())
    most = _most_frames(evidence, held)
    heard = [item for item in evidence if item.apart and len(item.at_samples) and _says_anything(item)]
    gated = in_processes(lambda item: _gated(recording, item, frame_samples, held, most), heard)
    sounds = tuple(
        Sound(home=item.home, arrival_s=_arrivals(item), level_db=item.level_db, spectra=spectra_of_item)
        for item, spectra_of_item in zip(heard, gated, strict=True)
    )
    own, alike = own_sources(
        np.array([sound.level_db for sound in sounds]).reshape(len(sounds), n),
        # What is most of all another drum along with a hat does not stand for the hat.
        [sound.home if _sounds_like(sound, sound.home, spectra) else -1 for sound in sounds],
        gains,
        related & usable & ~np.isin(np.arange(n), [copy.track for copy in copies]),
    )
    guests = alike | [own[t] >= 0 and not _sounds_like(sounds[own[t]], t, spectra) for t in range(n)]
    own = np.where(guests, -1, own)
    room = alike & _behind(sounds, anchor)
    anchored = _with_partner(anchor, linked)
    anchors = tuple(t for t in anchored if sign_known[t])
    homely = [t for t in range(n) if own[t] >= 0 and sounds[own[t]].home == t and sign_known[t]]
    for track in homely:
        known = np.isfinite(sounds[own[track]].arrival_s)
        if track in anchored or (known[track] and known[list(anchors)].any()):
            continue
        found = timed_by_octave(sounds[own[track]], track, anchors, signs)
        if found is not None:
            own[track] = len(sounds)
            sounds = (*sounds, found)
    original = usable & ~np.isin(np.arange(n), [copy.track for copy in copies])
    asked = original & related & ~np.isin(np.arange(n), (*anchored, *(sound.home for sound in sounds)))
    close = original & related & ~alike & ~np.isin(np.arange(n), anchored)
    return Scene(
        signs=signs,
        sign_known=sign_known,
        related=related,
        usable=original,
        room=room,
        linked=linked,
        anchor=anchor,
        sounds=sounds,
        own=own,
        gains=gains,
        copies=copies,
        sample_rate_hz=recording.sample_rate_hz,
        sums=sums,
        unplaced=_unplaced(recording, onsets, np.flatnonzero(asked), np.flatnonzero(close), held),
    )


def _unplaced(
    recording: Recording,
    onsets: Onsets | None,
    asked: NDArray[np.int64],
    close: NDArray[np.int64],
    held: tuple[int, ...] | None,
) -> tuple[Sound, ...]:
    """Sounds of tracks on which none is at home, by the strokes that are theirs alone among close mics."""
    n = len(recording.track_names)
    if onsets is None:
        return ()
    found = own_strokes(recording, onsets, asked.tolist(), close.tolist())
    return tuple(
        Sound(
            home=track,
            arrival_s=np.full(n, np.nan),
            level_db=np.full(n, NOT_HEARD_DB),
            spectra=struck_spectra(recording, _shared_by_all(recording, at), held),
        )
        for track, at in found.items()
    )


def _with_partner(anchor: int | None, linked: tuple[tuple[int, int], ...]) -> tuple[int, ...]:
    if anchor is None:
        return ()
    return next((pair for pair in linked if anchor in pair), (anchor,))


def _related(pairs: Mapping[tuple[int, int], Conclusion], track: int, anchor: int | None) -> bool:
    if anchor is None:
        return False
    return track == anchor or pairs[min(track, anchor), max(track, anchor)].related


def _behind(sounds: tuple[Sound, ...], anchor: int | None) -> NDArray[np.bool_]:
    """Tell the tracks that hear most sources later than the anchor does, as a mic in the room."""
    if anchor is None or not sounds:
        return np.zeros(1, dtype=bool)
    late = np.array([sound.arrival_s - sound.arrival_s[anchor] for sound in sounds])
    known = np.isfinite(late)
    return np.asarray((late > 0.0).sum(axis=0) * 2 > known.sum(axis=0))


def _says_anything(item: SourceEvidence) -> bool:
    """Whether anything is known of a source that is in any sum.

    Beside what is not struck frames are read of every track, and a loop is heard by no other one.
    """
    if item.kind == "hits":
        return int((item.level_db > NOT_HEARD_DB).sum()) > 1
    return bool(item.known.any())


def _arrivals(item: SourceEvidence) -> Floats:
    """Arrivals of one source, against the track whose offsets are known to most others."""
    offset_s, known = sharp_offsets(item)
    counts = known.sum(axis=1)
    # The home track where it serves as well as any.
    reference = item.home if counts[item.home] else int(np.argmax(counts))
    known = known[reference] | (np.arange(len(known)) == reference)
    return np.where(known, offset_s[reference], np.nan)


def _most_frames(evidence: tuple[SourceEvidence, ...], held: tuple[int, ...] | None) -> int:
    """Frames of each sustained source, so that those of all sources fit into memory."""
    if held is None:
        return MOST_FRAMES
    homes = sum(item.kind == "continuous" and item.home in held for item in evidence)
    return int(np.clip(_HELD_VALUES / max(1, homes * len(held)), _FEWEST_FRAMES, MOST_FRAMES))


def _gated(
    recording: Recording, item: SourceEvidence, frame_samples: int, held: tuple[int, ...] | None, most: int
) -> GatedSpectra:
    """Spectra of a source in the tracks that are held; of one that is at home elsewhere a single part."""
    at, tracks = _shared_by_all(recording, item.at_samples), held
    if held is not None and item.home not in held:
        at, tracks = at[:1], (item.home,)
    if item.kind == "hits":
        return struck_spectra(recording, at, tracks)
    step = max(1, -(-len(at) // most))
    return sustained_spectra(recording, at[::step], frame_samples, tracks)


def _shared_by_all(recording: Recording, at: NDArray[np.int64]) -> NDArray[np.int64]:
    """Keep the moments that all files cover, where there are any: a sum is of all tracks."""
    first, stop = common_span(spans_of(recording))
    inside = at[(at >= first) & (at < stop)]
    return inside if len(inside) else at


def _sounds_like(sound: Sound, track: int, spectra: Spectra) -> bool:
    """Whether a source lies within an octave of where most of the track's energy is: else it is a guest."""
    held = [spectra.power[track, octave_bins(spectra.frequency_hz, c)].sum() for c in ALL_HZ]
    its = sound.spectra.octave_power[:, track]
    return abs(int(np.argmax(held)) - int(np.argmax(its))) <= 1
