"""All steps of the decision on shifts, from a scene to one shift per track.

Conventions: as in the package.
"""

from dataclasses import dataclass, replace

import numpy as np

from polaritykit.decide.choice import choose
from polaritykit.decide.copies import followed
from polaritykit.decide.costs import losses_by_track
from polaritykit.decide.level_steps import LevelStep, level_steps
from polaritykit.decide.open_signs import open_signs, with_served
from polaritykit.decide.scene import PrintedSum, Scene
from polaritykit.decide.setting import Shift
from polaritykit.decide.taking import take
from polaritykit.decide.units import Unit, find_units


@dataclass(frozen=True, kw_only=True)
class Decision:
    """One shift per track, in session order, and the units they came from."""

    shifts: tuple[Shift, ...]
    units: tuple[Unit, ...]
    steps: tuple[LevelStep, ...] = ()


def decide(scene: Scene, flipped: tuple[int, ...] = ()) -> Decision:
    """Decide on the shift of every track.

    Parameters
    ----------
    scene : Scene
        Its signs are settled before; no shift is weighed against one.
    flipped : tuple of int
        Tracks whose sign differs from the recording, for what their flips cost.

    Returns
    -------
    Decision
    """
    weighed = open_signs(scene)
    scene = with_served(scene, weighed)
    units, found = find_units(scene)
    if units:
        found = {**found, **take(scene, units, choose(scene, units))}
    for item in weighed:
        if item.track in found and found[item.track].reason == "sign_open":
            either = (item.as_it_is_s, item.flipped_s)
            found[item.track] = replace(found[item.track], either_s=either)
    shifts = np.array([found[t].shift_s if t in found else 0.0 for t in range(len(scene.signs))])
    for track, losses in losses_by_track(scene, shifts, flipped).items():
        if track in found:
            found[track] = replace(found[track], losses=losses)
    found |= followed(scene.copies, found, scene.sample_rate_hz)
    found |= {one.track: _printed(one, scene.sample_rate_hz) for one in scene.sums}
    return Decision(
        shifts=tuple(found[t] for t in range(len(scene.signs))), units=units, steps=level_steps(scene)
    )


def _printed(one: PrintedSum, sample_rate_hz: int) -> Shift:
    """Leave a sum of other tracks: once they are set it is to be made anew."""
    late = one.late_s * sample_rate_hz
    return Shift(shift_s=0.0, reason="bus", late_s=one.late_s, late_samples=late, sum_of=one.parts)
