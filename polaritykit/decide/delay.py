"""Lateness by first arrivals to delays that the sum of all tracks gains by, and harm nowhere.

The first arrival says where to look; drums are larger than a point and rooms answer, so that it need not be
where the sum is fullest.  A delay is kept where it serves, moved to the fullest sum nearby where that gains
enough, and left out where the source does not gain or another source would lose.

Conventions: lateness in seconds against the anchor, None for a track that is left alone; a delay is minus
the lateness.  Changes in dB of one target's level in the sum of all tracks, the other tracks as set.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from polaritykit.base.types import Floats
from polaritykit.decide.findings import Rule
from polaritykit.decide.settings import AlignmentSettings
from polaritykit.spectra.main_octave import SumTarget, powers_over_delay


@dataclass(frozen=True, kw_only=True)
class Setting:
    """What became of one track's lateness."""

    rule: Rule
    #: None where the track is left as it is.
    late_s: float | None
    #: Change of its own source's level in the sum by this setting.
    gain_db: float
    #: The track whose source or octave would lose most, and by how much.
    loser: int
    loss_db: float
    #: Change of its own octave by its flip, where it is flipped without a delay.
    flip_db: float | None = None


def align(
    arrivals_s: Mapping[int, float | None],
    own: Mapping[int, SumTarget | None],
    targets: Sequence[SumTarget],
    signs: Floats,
    settings: AlignmentSettings,
) -> dict[int, Setting]:
    """Decide on the delay of each track that may be delayed.

    Parameters
    ----------
    arrivals_s : mapping of track to float
        How late each such track hears its own source, None where that is not known; all others stay at zero.
    own : mapping of track to SumTarget or None
        The track's own target; where it has none, its first arrival stands.
    targets : sequence of SumTarget
        All that the sum has to carry.
    signs : ndarray, shape (n_tracks,)
        ±1 by the flips.
    settings : AlignmentSettings

    Returns
    -------
    dict of track to Setting
    """
    heavy = [target for target in targets if target.centre_hz <= settings.harm_below_hz]
    delays_s = np.zeros(len(signs))
    for track, late_s in arrivals_s.items():
        delays_s[track] = -(late_s or 0.0)
    found: dict[int, Setting] = {}
    for _ in range(settings.rounds):
        before = delays_s.copy()
        for track, late_s in arrivals_s.items():
            mine = own[track]
            if mine is None or (late_s is not None and abs(late_s) * 1e3 < settings.together_ms):
                found[track] = Setting(rule="arrival", late_s=late_s, gain_db=0.0, loser=track, loss_db=0.0)
                continue
            found[track] = _decide(
                track,
                late_s,
                delays_s=delays_s,
                signs=signs,
                targets=(mine, *heavy),
                settings=settings,
            )
            chosen = found[track].late_s
            delays_s[track] = -chosen if chosen is not None else 0.0
        if np.array_equal(before, delays_s):
            break
    return {
        track: _with_flip(setting, track, own[track], signs=signs, delays_s=delays_s)
        for track, setting in found.items()
    }


def _with_flip(
    setting: Setting, track: int, own: SumTarget | None, *, signs: Floats, delays_s: Floats
) -> Setting:
    """Add what a flip without a delay does: right as wiring, it may cost low end until the delay is set."""
    if own is None or setting.late_s is not None or signs[track] > 0:
        return setting
    back = np.where(np.arange(len(signs)) == track, 1.0, signs)
    here = delays_s[track : track + 1]
    flipped, unflipped = (
        float(powers_over_delay(own, kept, delays_s, track, here).mean()) for kept in (signs, back)
    )
    return replace(setting, flip_db=float(10.0 * np.log10(max(flipped, 1e-30) / max(unflipped, 1e-30))))


def _decide(
    track: int,
    late_s: float | None,
    *,
    delays_s: Floats,
    signs: Floats,
    targets: Sequence[SumTarget],
    settings: AlignmentSettings,
) -> Setting:
    """Choose between the first arrival, the fullest sum near it, and no delay; its own target comes first."""
    searched = _near(late_s, targets[0], settings)
    candidates = np.concatenate([[0.0, -(late_s or 0.0)], searched])
    powers = [powers_over_delay(t, signs, delays_s, track, candidates) for t in targets]
    changes = np.stack([_changes_db(halves.mean(axis=0)) for halves in powers])
    gain, both_gain = changes[0], _changes_db(powers[0]).min(axis=0) > 0.0
    least_db = settings.least_gain_db if late_s is not None else settings.least_gain_alone_db
    gains = (gain >= least_db) & both_gain
    allowed = (changes.min(axis=0) >= -settings.most_loss_db) & gains

    def setting(rule: Rule, index: int, late: float | None) -> Setting:
        loser = int(np.argmin(changes[:, index]))
        return Setting(
            rule=rule,
            late_s=late,
            gain_db=float(gain[index]),
            loser=targets[loser].track,
            loss_db=float(-changes[loser, index]),
        )

    if late_s is None and len(searched):
        # A sum that still grows at the end of the search has its top elsewhere: another lobe, or sign.
        allowed &= 1 < int(np.argmax(gain[2:])) < len(searched) - 2
    inside = np.where(allowed[2:], gain[2:], -np.inf)
    best = int(np.argmax(inside)) + 2 if len(inside) else 1
    if late_s is not None and allowed[1]:
        return setting("arrival", 1, late_s)
    if best > 1 and allowed[best]:
        return setting("fullest" if late_s is not None else "own octave", best, -float(candidates[best]))
    return setting("harm" if gains[1] else "no gain", 1, None)


def _near(late_s: float | None, own: SumTarget, settings: AlignmentSettings) -> Floats:
    """Delays to look at: about the first arrival, or where that is not known all within one lobe."""
    step_s = settings.step_ms * 1e-3
    if late_s is not None:
        steps = round(settings.search_ms / settings.step_ms)
        return np.asarray(-late_s + np.arange(-steps, steps + 1) * step_s)
    if own.centre_hz > settings.search_below_hz:
        return np.zeros(0)
    lobe_s = min(settings.lobe_periods / own.centre_hz, settings.most_early_ms * 1e-3)
    return np.arange(0.0, lobe_s, step_s)


def _changes_db(powers: Floats) -> Floats:
    """Change against the first candidate (along the last axis)."""
    return np.asarray(10.0 * np.log10(np.maximum(powers / powers[..., :1], 1e-9)))
