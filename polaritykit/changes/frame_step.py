"""The one moment at which the lag of a pair jumps, from its frames' correlation curves.

Conventions: as in `polaritykit.changes.frame_lags`.
"""

from dataclasses import dataclass

import numpy as np

from polaritykit.base.types import Floats
from polaritykit.changes.followed_frames import Frames, nearest_lag
from polaritykit.changes.motion import LEAST_STEP_MS

#: Frames on either side of a step.
_LEAST_SIDE_FRAMES = 6
#: Both states' peaks stand this many chance levels high: pure noise reaches 5 (sqrt(2 ln M)), one key and
#: tempo 10.
LEAST_STRENGTH = 12.0
#: Two sources that take turns leave both peaks in both parts: a state must leave no more than this
#: share ...
_ABSENT_SHARE = 0.3
#: ... this near to its lag in the other part.
_ABSENT_MS = 0.15
#: A jump this small with a turned sign may be the neighbouring lobe.
_LOBE_MS = 1.0
#: Two states explain this much more (as a share) than one.
_STEP_GAIN = 0.25


@dataclass(frozen=True, kw_only=True)
class Step:
    """A cut of the frames in two."""

    #: What both sides gather, in chance levels squared.
    strength: float
    #: First frame after.
    cut: int
    jump_s: float
    flip: bool


def find_step(curves: Floats, frames: Frames) -> Step | None:
    """Find the cut that gathers most in two peaks.

    Parameters
    ----------
    curves : ndarray, shape (n_frames, n_lags)
        In chance levels.
    frames : Frames

    Returns
    -------
    Step or None
        None where no step is clear.
    """
    n = len(curves)
    total = np.cumsum(curves, axis=0)
    cuts = np.arange(_LEAST_SIDE_FRAMES, n - _LEAST_SIDE_FRAMES + 1)
    if not len(cuts):
        return None
    first, last = total[cuts - 1], total[-1] - total[cuts - 1]
    score = np.max(np.abs(first), axis=1) ** 2 / cuts + np.max(np.abs(last), axis=1) ** 2 / (n - cuts)
    best = int(np.argmax(score))
    gained = 1.0 - float(np.max(np.abs(total[-1])) ** 2 / n / score[best])
    cut = int(cuts[best])
    means = first[best] / cut, last[best] / (n - cut)
    at = [int(np.argmax(np.abs(mean))) for mean in means]
    peaks = [float(mean[place]) for mean, place in zip(means, at, strict=True)]
    strength = min(abs(peaks[0]) * cut**0.5, abs(peaks[1]) * (n - cut) ** 0.5)
    jump = (at[1] - at[0]) / frames.rate_hz
    flip = peaks[0] * peaks[1] < 0
    moved = abs(jump) >= LEAST_STEP_MS * 1e-3
    # With a turned sign a small jump may be the neighbouring lobe: a step or a turn, and nothing tells which.
    lobe = flip and moved and abs(jump) < _LOBE_MS * 1e-3
    clear = strength >= LEAST_STRENGTH and gained >= _STEP_GAIN and (moved or flip) and not lobe
    if not clear or not _take_no_turns(means, at, peaks, frames.rate_hz):
        return None
    return Step(strength=float(score[best]), cut=cut, jump_s=jump if moved else 0.0, flip=flip)


def _take_no_turns(means: tuple[Floats, Floats], at: list[int], peaks: list[float], rate_hz: int) -> bool:
    """Each state's peak is absent in the other part: two sources that take turns leave both in both."""
    near = max(1, round(_ABSENT_MS * 1e-3 * rate_hz))
    for own, other in ((0, 1), (1, 0)):
        place = slice(max(0, at[own] - near), at[own] + near + 1)
        if float((np.sign(peaks[own]) * means[other][place]).max()) > _ABSENT_SHARE * abs(peaks[own]):
            return False
    return True


def fine_jump(frames: Frames, step: Step) -> float:
    """Read the jump from the phase between the two states.

    Parameters
    ----------
    frames : Frames
    step : Step

    Returns
    -------
    float
        Seconds; 0 where there is none.
    """
    if not step.jump_s:
        return 0.0
    before, after = (part.mean(axis=0) for part in (frames.phasor[: step.cut], frames.phasor[step.cut :]))
    sign = -1.0 if step.flip else 1.0
    fine = nearest_lag(sign * np.conj(before) * after, frames.omega, step.jump_s)
    return fine if abs(fine - step.jump_s) <= _ABSENT_MS * 1e-3 else step.jump_s
