"""One pair's conclusion and spectra to advice: leave, flip, delay, move or listen, with the expected gain.

Rule: report what was measured, then what would be gained, then what to do; no change is advised whose
predicted gain is not heard.

Conventions: ``delay_ms`` (≥ 0) is given to the early track; gains in dB of the sum in the source's band.
"""

from polaritykit.base.hearing import AUDIBLE_DB, WELL_HEARD_DB
from polaritykit.decide.conclusion import Conclusion
from polaritykit.decide.findings import Action, Advice, AdviceReason, PairSource
from polaritykit.decide.worth import FAR_S, LEAST_SHIFT_S
from polaritykit.spectra.records import BandGains

#: Sources of one pair whose offsets differ by more than this cannot share one delay.
_SAME_OFFSET_MS = 0.3


def advise(conclusion: Conclusion, gains: BandGains | None, *, linked: bool) -> Advice:
    """Advise on one pair taken by itself.

    Parameters
    ----------
    conclusion : Conclusion
    gains : BandGains or None
        Predicted changes of the sum in the main source's band.
    linked : bool
        The two tracks form a stereo image and are never delayed against each other.

    Returns
    -------
    Advice
    """
    if not conclusion.related:
        return _stay("apart")
    if gains is None or conclusion.offset_s is None or conclusion.polarity == "unclear":
        open_offset = gains is None or conclusion.offset_s is None
        return _stay("no_offset" if open_offset else "no_sign", action="listen")
    late = LEAST_SHIFT_S <= abs(conclusion.offset_s) <= FAR_S and not linked
    two = _two_offsets(conclusion.sources)
    if two and late:
        return _stay("two_offsets", action="move", homes=two)
    if conclusion.polarity == "same" and not late:
        return _stay("image" if linked else "agrees")
    if linked and gains.flipped_db < AUDIBLE_DB:
        # One side of a stereo pair upside down is a fault whatever one band of the mono sum gains.
        return Advice(
            action="flip", invert=True, delay_ms=0.0, gain_db=gains.flipped_db, reason="image_inverted"
        )
    return _change(conclusion, gains, late=late, offset_ms=conclusion.offset_s * 1e3)


def _stay(
    reason: AdviceReason,
    *,
    action: Action = "leave",
    homes: tuple[str, ...] = (),
    would_gain_db: float | None = None,
) -> Advice:
    """Nothing to set."""
    return Advice(
        action=action,
        invert=False,
        delay_ms=0.0,
        gain_db=0.0,
        reason=reason,
        homes=homes,
        would_gain_db=would_gain_db,
    )


def _change(conclusion: Conclusion, gains: BandGains, *, late: bool, offset_ms: float) -> Advice:
    """Flip, delay or both, if that is heard."""
    inverted = conclusion.polarity == "inverted"
    action: Action = "flip" if inverted else "delay"
    gain = gains.flipped_db if inverted else gains.aligned_db
    if inverted and late:
        action, gain = "flip_and_delay", gains.aligned_flipped_db
    if gain < AUDIBLE_DB:
        return _little(gains) if not inverted else _inverted_little(conclusion, gains, gain, late=late)
    return Advice(
        action=action,
        invert=inverted,
        delay_ms=abs(offset_ms) if late else 0.0,
        gain_db=gain,
        reason=_reason(gains, inverted=inverted, late=late),
        homes=(conclusion.main.home,) if conclusion.main is not None else (),
    )


def _reason(gains: BandGains, *, inverted: bool, late: bool) -> AdviceReason:
    if inverted:
        return "inverted_late" if late else "inverted"
    return "late_or_flip" if gains.flipped_db >= AUDIBLE_DB else "late"


def _two_offsets(sources: tuple[PairSource, ...]) -> tuple[str, ...]:
    """Two sources, both well heard, that a single delay would pull apart; empty where there are none."""
    clear = [
        s
        for s in sources
        if s.offset_ms is not None and s.polarity != "unclear" and s.level_db > -WELL_HEARD_DB
    ]
    for second in clear[1:]:
        one, two = clear[0].offset_ms or 0.0, second.offset_ms or 0.0
        if one * two < 0 and abs(one - two) > _SAME_OFFSET_MS:
            return clear[0].home, second.home
    return ()


def _little(gains: BandGains) -> Advice:
    if gains.flipped_db > AUDIBLE_DB:
        return _stay("flip_fills", would_gain_db=gains.flipped_db)
    return _stay("little")


def _inverted_little(conclusion: Conclusion, gains: BandGains, gain: float, *, late: bool) -> Advice:
    """Inverted by the direct sound, though the sum in the source's band hardly gains."""
    best = max(gains.flipped_db, gains.aligned_flipped_db)
    action: Action = "listen" if conclusion.strong else "leave"
    return _stay("inverted_little", action=action, would_gain_db=best if late else gain)
