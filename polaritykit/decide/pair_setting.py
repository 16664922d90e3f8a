"""What the session's setting does to one pair, and whether the pair by itself would rather have another.

Conventions: ``shift_ms`` is that of *other* against *reference*, positive later; gains are changes of the
sum in the main source's band against as recorded.
"""

from polaritykit.base.hearing import AUDIBLE_DB
from polaritykit.decide.conclusion import Conclusion
from polaritykit.decide.findings import Action, Advice, Rather, TrackCorrection
from polaritykit.decide.worth import LEAST_SHIFT_S
from polaritykit.spectra.pair_sum import sum_level_db
from polaritykit.spectra.records import PairSpectra


def session_advice(
    conclusion: Conclusion,
    alone: Advice,
    reference: TrackCorrection,
    other: TrackCorrection,
    *,
    spectra: PairSpectra,
) -> Advice:
    """Advise on a pair what the session is set to.

    Parameters
    ----------
    conclusion : Conclusion
    alone : Advice
        For the pair by itself.
    reference, other : TrackCorrection
    spectra : PairSpectra

    Returns
    -------
    Advice
    """
    invert = reference.invert != other.invert
    shift_ms = other.shift_ms - reference.shift_ms
    least_ms = LEAST_SHIFT_S * 1e3
    if not conclusion.related:
        return alone
    if abs(shift_ms) < least_ms:
        shift_ms = 0.0
    wanted_ms = _wanted_ms(conclusion, alone)
    differs = alone.invert != invert or abs(wanted_ms - shift_ms) >= least_ms
    action: Action = "flip_and_delay" if invert and shift_ms else "flip" if invert else "delay"
    if not invert and not shift_ms:
        if not differs:
            return alone
        action = "leave"
    gain_db = _gain_db(conclusion, spectra, invert=invert, shift_ms=shift_ms)
    better = differs and alone.gain_db - gain_db >= AUDIBLE_DB
    return Advice(
        action=action,
        invert=invert,
        delay_ms=abs(shift_ms),
        gain_db=gain_db,
        reason="session" if differs else alone.reason,
        homes=() if differs else alone.homes,
        would_gain_db=None if differs else alone.would_gain_db,
        shift_ms=shift_ms,
        rather=Rather(invert=alone.invert, shift_ms=wanted_ms, gain_db=alone.gain_db) if better else None,
    )


def _wanted_ms(conclusion: Conclusion, alone: Advice) -> float:
    """Shift of *other* that the pair by itself would have: the early track is delayed."""
    late = (conclusion.offset_s or 0.0) > 0.0
    return -alone.delay_ms if late else alone.delay_ms


def _gain_db(conclusion: Conclusion, spectra: PairSpectra, *, invert: bool, shift_ms: float) -> float:
    band = conclusion.main.band_hz if conclusion.main is not None else None
    if band is None:
        return 0.0
    before = sum_level_db(spectra, band_hz=band)
    after = sum_level_db(spectra, band_hz=band, delay_ms=shift_ms, invert=invert)
    return 0.0 if before is None or after is None else after - before
