"""What all settings together cost: octaves of sources that lose in a sum that is likely to be made.

The sums: of all tracks; of a source's own mics with the anchor; of its own mics alone.  By the shifts, a loss
is told against the flips alone; by all, against the recording, where the shifts do not make good what a flip
costs.

Conventions: changes of level in dB; shifts in seconds.
"""

from collections.abc import Iterator, Sequence

import numpy as np

from polaritykit.base.hearing import AUDIBLE_DB
from polaritykit.base.types import Floats
from polaritykit.decide.certainty import TOLD_FROM, chance_of_loss, spread_db, weighed_db
from polaritykit.decide.choice import signed_gains
from polaritykit.decide.scene import Scene
from polaritykit.decide.setting import Loss, Where
from polaritykit.decide.source_sums import (
    GROUPS,
    JUDGED_HZ,
    GatedSpectra,
    heard_octaves,
    levelled_at_home,
    octave_levels_db,
    octave_powers,
    weights,
)
from polaritykit.decide.unit_sums import own_mics


def losses_by_track(scene: Scene, shifts: Floats, flipped: Sequence[int]) -> dict[int, tuple[Loss, ...]]:
    """Find what all settings together cost, and the track whose setting costs it most.

    Parameters
    ----------
    scene : Scene
        Its signs hold the flips.
    shifts : ndarray, shape (n_tracks,)
    flipped : sequence of int
        Tracks that are flipped.

    Returns
    -------
    dict of track to tuple of Loss
        Of each source and octave the greatest loss.
    """
    tracks = np.arange(len(shifts))
    turned = np.where(np.isin(tracks, list(flipped)), -1.0, 1.0)
    plain = np.ones(len(shifts))
    moved = np.flatnonzero(shifts).tolist()
    unmoved = [(track, (plain, np.where(tracks == track, 0.0, shifts))) for track in moved]
    unflipped = [(track, (np.where(tracks == track, -1.0, 1.0), shifts)) for track in flipped]
    worst: dict[tuple[int, float], tuple[int, Loss]] = {}
    for before, others in (((plain, 0.0 * shifts), unmoved), ((turned, 0.0 * shifts), unflipped)):
        if not others:
            continue
        found = dict(_losses(scene, before, (plain, shifts), others))
        for key, (_, loss) in found.items():
            if key not in worst or loss.change_db < worst[key][1].change_db:
                worst[key] = found[key]
    by_track: dict[int, list[Loss]] = {}
    for track, loss in worst.values():
        by_track.setdefault(track, []).append(loss)
    return {track: tuple(losses) for track, losses in by_track.items()}


def _losses(
    scene: Scene,
    before: tuple[Floats, Floats],
    after: tuple[Floats, Floats],
    others: Sequence[tuple[int, tuple[Floats, Floats]]],
) -> Iterator[tuple[tuple[int, float], tuple[int, Loss]]]:
    """Find the losses, the smaller ones of each source and octave first, with the track that costs them."""
    found = []
    for number, sound in enumerate(scene.heard):
        for where, chosen in _sums(scene, number):
            spectra, gains = sound.spectra, signed_gains(scene, chosen)
            change = _change_db(spectra, gains, before, after)
            # What is heard of single strokes is told of, though the settings go by what they have in common.
            levelled = levelled_at_home(spectra, sound.home)
            heard = heard_octaves(levelled, gains, np.flatnonzero(gains).tolist())
            if not (heard & (change != 0.0)).any():
                continue
            known = [_change_db(spectra.leaving_out(group), gains, before, after) for group in range(GROUPS)]
            mean, std = weighed_db(change, spread_db(np.array(known)))
            lost = heard & (chance_of_loss(mean, std, AUDIBLE_DB) > TOLD_FROM)
            if not lost.any():
                continue
            undone = np.array([_levels_db(spectra, gains, setting) for _, setting in others])
            for octave in np.flatnonzero(lost).tolist():
                loss = Loss(
                    home=sound.home,
                    octave_hz=JUDGED_HZ[octave],
                    change_db=float(mean[octave]),
                    std_db=float(std[octave]),
                    where=where,
                )
                track = others[int(np.argmax(undone[:, octave]))][0]
                found.append(((sound.home, loss.octave_hz), (track, loss)))
    yield from sorted(found, key=lambda item: -item[1][1].change_db)


def _sums(scene: Scene, number: int) -> Iterator[tuple[Where, list[int]]]:
    """Name the sums that are likely to be made of a source."""
    printed = [one.track for one in scene.sums]
    yield "all", [*np.flatnonzero(scene.usable & scene.related).tolist(), *printed]
    own = own_mics(scene, number)
    if own:
        yield "anchor", [*own, *scene.anchors]
    if len(own) > 1:
        yield "own", own


def _change_db(
    spectra: GatedSpectra, gains: Floats, before: tuple[Floats, Floats], after: tuple[Floats, Floats]
) -> Floats:
    return _levels_db(spectra, gains, after) - _levels_db(spectra, gains, before)


def _levels_db(spectra: GatedSpectra, gains: Floats, setting: tuple[Floats, Floats]) -> Floats:
    signs, shifts = setting
    return octave_levels_db(octave_powers(spectra, weights(spectra, gains * signs, shifts)))[:, 0]
