"""Tracks whose sign evidence leaves open: what the sum could have with either, and when only one will do.

Over a few octaves a shift of half a period undoes a flip nearly as well, so that a sum settles no sign.  But
where the recorded sign has a shift that the other cannot come near, that shift is right whatever the wiring;
where both come near, both are named and the ear decides.

Conventions: as in `choice`; a gain is against the recording, mean over the source's octaves by their energy.
"""

from dataclasses import dataclass, replace

import numpy as np

from polaritykit.base.hearing import AUDIBLE_DB
from polaritykit.base.types import Floats
from polaritykit.decide.choice import candidates, signed_gains
from polaritykit.decide.frame import own_lateness
from polaritykit.decide.scene import Scene
from polaritykit.decide.source_sums import (
    energy_shares,
    heard_octaves,
    octave_levels_db,
    octave_powers,
    weights,
)
from polaritykit.decide.worth import FAR_S


@dataclass(frozen=True, kw_only=True)
class OpenSign:
    """The best shift with either sign."""

    track: int
    as_it_is_s: float
    as_it_is_db: float
    flipped_s: float
    flipped_db: float

    @property
    def settled(self) -> bool:
        """Whether the recorded sign serves, and the other one less by what is heard."""
        return self.as_it_is_db >= self.flipped_db + AUDIBLE_DB


def open_signs(scene: Scene) -> tuple[OpenSign, ...]:
    """Weigh both signs of every track whose arrival is known and whose sign is not.

    Parameters
    ----------
    scene : Scene

    Returns
    -------
    tuple of OpenSign
    """
    late = own_lateness(scene)
    kept = {track for pair in scene.linked for track in pair} | set(scene.anchors)
    open_ = scene.usable & scene.related & ~scene.room & ~scene.sign_known & np.isfinite(late)
    return tuple(
        _weighed(scene, track, float(late[track]))
        for track in np.flatnonzero(open_).tolist()
        if track not in kept and late[track] <= FAR_S
    )


def with_served(scene: Scene, found: tuple[OpenSign, ...]) -> Scene:
    """Let tracks be shifted that only the recorded sign serves."""
    known = scene.sign_known.copy()
    known[[item.track for item in found if item.settled]] = True
    return replace(scene, sign_known=known)


def _weighed(scene: Scene, track: int, late_s: float) -> OpenSign:
    spectra = scene.sounds[scene.own[track]].spectra
    gains = signed_gains(scene, (track, *scene.anchors))
    shares = energy_shares(spectra, gains, heard_octaves(spectra, gains, np.flatnonzero(gains).tolist()))
    still = np.zeros(len(gains))
    recorded = octave_levels_db(octave_powers(spectra, weights(spectra, gains, still)))
    tried = candidates() - late_s

    def best(signed: Floats) -> tuple[float, float]:
        levels = octave_levels_db(octave_powers(spectra, weights(spectra, signed, still), (track,), tried))
        gain = shares @ (levels - recorded)
        place = int(np.argmax(gain))
        return float(tried[place]), float(gain[place])

    turned = np.where(np.arange(len(gains)) == track, -gains, gains)
    (as_it_is_s, as_it_is_db), (flipped_s, flipped_db) = best(gains), best(turned)
    return OpenSign(
        track=track,
        as_it_is_s=as_it_is_s,
        as_it_is_db=as_it_is_db,
        flipped_s=flipped_s,
        flipped_db=flipped_db,
    )
