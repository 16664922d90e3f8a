"""What to do about bleed: flip, leave, delay, or rather move a mic; each only with a gain that is certain.

The sign comes first: where evidence settles how the two are wired, no setting against the wiring is advised
(over a few octaves half a period of delay undoes a flip nearly as well), and the track that is flipped is the
one that a check flips.  Only an open sign is weighed by what it gains.

Conventions: as in `polaritykit.jobs.bleed.judge`.
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from polaritykit.base.hearing import AUDIBLE_DB
from polaritykit.jobs.bleed.findings import BleedFindings, BleedOption, PolarityCode
from polaritykit.jobs.bleed.plain_sum import PlainSum

#: An octave is useful within this of the source's strongest, A-weighted.
_USEFUL_RANGE_DB = 20.0
#: A gain counts from this many of its uncertainties.
SIGMAS = 2.0
#: The whole must gain this much, so that one octave is not bought with all others.
_LEAST_OVERALL_DB = 0.2
#: A flip that changes an octave by more than this does decide something.
_MUCH_DB = 3.0
#: Octaves that gain alike by chance: one in eight.
_WITNESSES = 3


def useful_octaves(plain_sum: PlainSum, recorded: BleedOption, reliable: Sequence[bool]) -> tuple[bool, ...]:
    """Reliable octaves that matter for the main mic's own source (A-weighted).

    Parameters
    ----------
    plain_sum : PlainSum
    recorded : BleedOption
        The sum as recorded.
    reliable : sequence of bool
        Octaves that can tell the two sources apart.
    """
    level_db = plain_sum.a_weighted_db(recorded.main_level_db)
    strong = level_db > level_db.max() - _USEFUL_RANGE_DB
    return tuple(bool(one and sure) for one, sure in zip(strong, reliable, strict=True))


def advised(found: BleedFindings, plain_sum: PlainSum, candidate: BleedOption) -> BleedFindings:
    """Add what to set.

    Parameters
    ----------
    found : BleedFindings
        With the options as recorded and flipped.
    plain_sum : PlainSum
    candidate : BleedOption
        The best flip and delay together that the wiring allows.
    """
    recorded, flipped, settled = found.as_recorded, found.flipped, found.settled
    if recorded is None or flipped is None:
        return found
    wiring: dict[str, tuple[PolarityCode, bool]] = {"inverted": ("wiring", True), "same": ("alike", False)}
    code, invert = wiring.get(settled.wiring) or _by_goal(found, flipped)
    base = flipped if invert else recorded
    gain_db, std_db = plain_sum.extra_gain(candidate, base)
    # Octaves are witnesses of their own: where all gain, the whole need not be as sure by itself.
    sigmas = 1.0 if _gains_everywhere(candidate, base, found.reliable) else SIGMAS
    worth = gain_db >= AUDIBLE_DB and gain_db > sigmas * std_db
    open_sign = settled.wiring == "unclear"
    if worth and (open_sign or candidate.invert == invert):
        invert = candidate.invert
        if open_sign:
            code = "goal" if invert else "loses" if code == "loses" else "nothing"
    delay_ms = candidate.delay_ms if worth and candidate.invert == invert and candidate.delay_ms else None
    if code == "nothing" and _changes_much(found, flipped):
        code = "listen"
    flip = (settled.flip or found.leaky) if invert else None
    return replace(found, polarity_code=code, flip=flip, delay_ms=delay_ms)


def _by_goal(found: BleedFindings, flipped: BleedOption) -> tuple[PolarityCode, bool]:
    """Flip, or leave since a flip would lose, where either is sure; an octave and the whole must agree."""
    answers: tuple[tuple[float, PolarityCode, bool], ...] = ((1.0, "goal", True), (-1.0, "loses", False))
    for sign, code, invert in answers:
        octave = any(
            sign * gain >= AUDIBLE_DB and sign * gain > SIGMAS * std
            for gain, std, matters in zip(flipped.gain_db, flipped.gain_std_db, found.useful, strict=True)
            if matters
        )
        overall = sign * flipped.overall_gain_db
        if octave and overall >= _LEAST_OVERALL_DB and overall > SIGMAS * flipped.overall_gain_std_db:
            return code, invert
    return "nothing", False


def _gains_everywhere(option: BleedOption, base: BleedOption, told: Sequence[bool]) -> bool:
    """Whether every octave that can be told gains, three or more of them."""
    gains = np.subtract(option.gain_db, base.gain_db)[np.asarray(told)]
    return len(gains) >= _WITNESSES and bool(np.all(gains > 0.0))


def _changes_much(found: BleedFindings, option: BleedOption) -> bool:
    changes = np.abs([option.gain_db, option.main_change_db, option.leaky_change_db])
    return bool(np.any(changes[:, np.asarray(found.reliable)] > _MUCH_DB))
