"""The way of the direct sound from a source to a mic: length, signed gain, and how both change with position.

Conventions: metres and seconds' thousandths; gain is a signed amplitude against an omni without losses 1 m
away (inverse distance, first-order pattern, pad, loading, polarity switch).  Uncertainties are one sigma,
carried to first order from the covariance of the positions.
"""

import math
from typing import NamedTuple

import numpy as np

from polaritykit.base.types import Floats
from polaritykit.jobs.layout.mic_patterns import loading_loss_db, pattern_gain
from polaritykit.jobs.layout.records import Plan, PlanMic, PlanSource, Surface, Vector

#: A gain this small (−60 dB) is the pattern's null: no real mic has a deeper one to rely on.
NULL_GAIN = 1e-3
#: Step of the numeric derivative of the level with position, m.
_STEP_M = 1e-5


class DirectPath(NamedTuple):
    """Direct sound of one source at one mic, with what changes when they are moved."""

    source: PlanSource
    mic: PlanMic
    distance_m: float
    #: Signed amplitude, pattern, distance, pad, loading and switch together.
    gain: float
    #: Change of distance and of level with the coordinates of all points, shape (3n,).
    distance_slope: Floats
    level_slope: Floats
    rear_lobe: bool
    other_side: bool

    @property
    def heard(self) -> bool:
        """Whether it is out of the pattern's null."""
        return abs(self.gain) * self.distance_m > NULL_GAIN


def mic_gain(mic: PlanMic, source_m: Vector) -> float:
    """Signed amplitude of a point source at a mic, against an omni without losses 1 m away.

    Negative when the rear lobe or the polarity switch (not both) inverts it.
    """
    distance = math.dist(source_m, mic.position_m)
    gain = 1.0
    if mic.aim is not None:
        gain = pattern_gain(mic.pattern, float(np.dot(unit(mic.position_m, source_m), mic.aim)))
    level_db = mic.gain_db - mic.pad_db
    if mic.source_impedance_ohm is not None:
        level_db += loading_loss_db(mic.source_impedance_ohm, mic.input_impedance_ohm)
    return float((-1.0 if mic.inverted else 1.0) * gain / distance * 10 ** (level_db / 20))


def mirrored(point_m: Vector, surface: Surface) -> Vector:
    """Mirror image of a point in a plane: where its first reflection seems to come from."""
    point, normal = np.array(point_m), np.array(surface.normal)
    x, y, z = point - 2 * float(np.dot(point - surface.point_m, normal)) * normal
    return (float(x), float(y), float(z))


def unit(from_m: Vector, to_m: Vector) -> Floats:
    """Direction from one point to another; zero where they coincide."""
    apart = np.subtract(to_m, from_m)
    return np.asarray(apart / max(float(np.linalg.norm(apart)), 1e-12), dtype=np.float64)


def columns(plan: Plan, name: str) -> slice:
    """Where the coordinates of a point stand in the covariance."""
    first = 3 * plan.points.names.index(name)
    return slice(first, first + 3)


def direct_path(plan: Plan, source: PlanSource, mic: PlanMic) -> DirectPath:
    """Work out one way and its derivatives.

    Parameters
    ----------
    plan : Plan
        Its covariance fixes the order of the coordinates.
    source : PlanSource
    mic : PlanMic
    """
    size = 3 * len(plan.points.names)
    here, there = columns(plan, mic.name), columns(plan, source.name)
    towards = unit(mic.position_m, source.position_m)
    distance_slope, level_slope = np.zeros(size), np.zeros(size)
    distance_slope[there], distance_slope[here] = towards, -towards
    gain = mic_gain(mic, source.position_m)
    rear_lobe = (gain < 0) != mic.inverted
    other_side = source.name in mic.other_side_of
    gain = -gain if other_side else gain
    # Moving the mic one way is moving the source the other way, as the aim is kept.
    for axis in range(3):
        ends = []
        for step in (-_STEP_M, _STEP_M):
            moved = list(source.position_m)
            moved[axis] += step
            ends.append(20 * math.log10(max(abs(mic_gain(mic, (moved[0], moved[1], moved[2]))), 1e-12)))
        level_slope[there.start + axis] = (ends[1] - ends[0]) / (2 * _STEP_M)
    level_slope[here] = -level_slope[there]
    return DirectPath(
        source=source,
        mic=mic,
        distance_m=math.dist(source.position_m, mic.position_m),
        gain=gain,
        distance_slope=distance_slope,
        level_slope=level_slope,
        rear_lobe=rear_lobe,
        other_side=other_side,
    )


def spread(plan: Plan, slope: Floats) -> float:
    """Return the standard uncertainty of what changes by `slope` with the positions."""
    return math.sqrt(max(float(slope @ plan.points.covariance_m2 @ slope), 0.0))


def offset_std_ms(plan: Plan, difference_m: float, slope: Floats) -> float:
    """Uncertainty of the time a path difference takes: tape and speed of sound together.

    Parameters
    ----------
    plan : Plan
    difference_m : float
    slope : ndarray, shape (3n,)
        Change of the difference with the coordinates of all points.
    """
    speed = plan.sound.speed_mps
    return 1000 / speed * math.hypot(spread(plan, slope), difference_m * plan.sound.std_mps / speed)


def offset_between(plan: Plan, a: DirectPath, b: DirectPath) -> tuple[float, float]:
    """Offset of b against a and its standard uncertainty.

    Parameters
    ----------
    plan : Plan
    a, b : DirectPath
        Of one source at two mics.

    Returns
    -------
    (float, float)
        In ms; positive when b hears the sound later.
    """
    difference = b.distance_m - a.distance_m
    return (
        1000 * difference / plan.sound.speed_mps,
        offset_std_ms(plan, difference, b.distance_slope - a.distance_slope),
    )
