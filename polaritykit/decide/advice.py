"""One pair's conclusion and spectra to advice: leave, flip, delay, move or listen, with the expected gain.

Rule: report what was measured, then what would be gained, then what to do; no change is advised whose
predicted gain is not heard.

Conventions: ``delay_ms`` (≥ 0) is given to the early track; gains in dB of the sum in the source's band.
"""

from polaritykit.decide.conclusion import Conclusion
from polaritykit.decide.findings import Action, Advice, PairSource
from polaritykit.decide.settings import AdviceSettings
from polaritykit.spectra.records import BandGains


def advise(
    conclusion: Conclusion, gains: BandGains | None, *, linked: bool, settings: AdviceSettings
) -> Advice:
    """Advise on one pair taken by itself.

    Parameters
    ----------
    conclusion : Conclusion
    gains : BandGains or None
        Predicted changes of the sum in the main source's band.
    linked : bool
        The two tracks form a stereo image and are never delayed against each other.
    settings : AdviceSettings

    Returns
    -------
    Advice
    """
    if not conclusion.related:
        return _stay(conclusion.reason or "the two tracks share no sound")
    if gains is None or conclusion.offset_s is None:
        why = conclusion.reason or "no offset is known"
        return _stay(f"{why}; compare both positions of the switch by ear", "listen")
    if conclusion.polarity == "unclear":
        return _stay(
            f"the polarity is unclear ({conclusion.reason}); compare both positions by ear", "listen"
        )
    offset_ms = conclusion.offset_s * 1e3
    late = settings.least_delay_ms <= abs(offset_ms) <= settings.far_ms and not linked
    two = _two_offsets(conclusion.sources, settings)
    if two is not None and late:
        return _stay(
            f"{two[0].home} and {two[1].home} arrive with different offsets: no one delay serves both; "
            "distance between the mics does",
            "move",
        )
    if conclusion.polarity == "same" and not late:
        return _stay(
            "same polarity; a stereo pair keeps its timing"
            if linked
            else "same polarity, no delay worth setting"
        )
    return (
        _flip_image(gains)
        if linked and gains.flipped_db < settings.least_gain_db
        else _change(conclusion, gains, settings, late=late, offset_ms=offset_ms)
    )


def _stay(why: str, action: Action = "leave") -> Advice:
    """Nothing to set."""
    return Advice(action=action, invert=False, delay_ms=0.0, gain_db=0.0, why=why)


def _flip_image(gains: BandGains) -> Advice:
    """One side of a stereo pair upside down is a fault whatever one band of the mono sum gains."""
    return Advice(
        action="flip",
        invert=True,
        delay_ms=0.0,
        gain_db=gains.flipped_db,
        why="one side of the stereo pair is inverted: the image is wrong, though the mono sum of this "
        f"band changes by only {gains.flipped_db:+.1f} dB",
    )


def _change(
    conclusion: Conclusion, gains: BandGains, settings: AdviceSettings, *, late: bool, offset_ms: float
) -> Advice:
    """Flip, delay or both, if that is heard."""
    inverted = conclusion.polarity == "inverted"
    action: Action = "flip" if inverted else "delay"
    gain = gains.flipped_db if inverted else gains.aligned_db
    if inverted and late:
        action, gain = "flip_and_delay", gains.aligned_flipped_db
    if gain < settings.least_gain_db:
        if not inverted:
            return _stay(_little(gains, offset_ms))
        return _inverted_without_gain(conclusion, gains, gain, late=late, offset_ms=offset_ms)
    return Advice(
        action=action,
        invert=inverted,
        delay_ms=abs(offset_ms) if late else 0.0,
        gain_db=gain,
        why=_why(conclusion, gains, offset_ms, inverted=inverted, late=late),
    )


def _two_offsets(
    sources: tuple[PairSource, ...], settings: AdviceSettings
) -> tuple[PairSource, PairSource] | None:
    """Two sources, both well heard, that a single delay would pull apart."""
    clear = [s for s in sources if s.offset_ms is not None and s.polarity != "unclear" and s.level_db > -12.0]
    for second in clear[1:]:
        first = clear[0]
        one, two = first.offset_ms or 0.0, second.offset_ms or 0.0
        if one * two < 0 and abs(one - two) > settings.same_offset_ms:
            return first, second
    return None


def _little(gains: BandGains, offset_ms: float) -> str:
    if gains.flipped_db > 1.0:
        return (
            f"same polarity, but {abs(offset_ms):.2f} ms apart: flipping would fill this band "
            f"by {gains.flipped_db:.1f} dB although nothing is wired backwards"
        )
    return "same polarity; a delay would gain too little to hear"


def _inverted_without_gain(
    conclusion: Conclusion, gains: BandGains, gain: float, *, late: bool, offset_ms: float
) -> Advice:
    """Inverted by the direct sound, though the sum in the source's band hardly gains."""
    best = max(gains.flipped_db, gains.aligned_flipped_db)
    return _stay(
        f"inverted by the direct sound, but {abs(offset_ms):.2f} ms apart the sum changes by only "
        f"{best if late else gain:+.1f} dB in the source's band: check the wiring, then compare by ear",
        "listen" if conclusion.strong else "leave",
    )


def _why(conclusion: Conclusion, gains: BandGains, offset_ms: float, *, inverted: bool, late: bool) -> str:
    main = conclusion.main
    heard = f"by {main.home}" if main is not None else "by their common sound"
    if inverted and late:
        return f"inverted and {abs(offset_ms):.2f} ms apart {heard}"
    if inverted:
        return f"inverted {heard}"
    if gains.flipped_db >= 1.0:
        return f"same polarity, but {abs(offset_ms):.2f} ms apart {heard}: flip or delay, both fill this band"
    return f"same polarity, {abs(offset_ms):.2f} ms apart {heard}"
