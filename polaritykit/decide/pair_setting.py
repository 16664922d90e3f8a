"""What the session's setting does to one pair, and whether the pair by itself would rather have another.

Conventions: ``shift_ms`` is that of *other* against *reference*, positive later; gains are changes of the
sum in the main source's band against as recorded.
"""

from polaritykit.decide.conclusion import Conclusion
from polaritykit.decide.findings import Action, Advice, TrackCorrection
from polaritykit.decide.settings import AdviceSettings
from polaritykit.spectra.pair_sum import sum_level_db
from polaritykit.spectra.records import PairSpectra


def session_advice(
    conclusion: Conclusion,
    alone: Advice,
    reference: TrackCorrection,
    other: TrackCorrection,
    *,
    spectra: PairSpectra,
    settings: AdviceSettings,
) -> Advice:
    """Advise on a pair what the session is set to.

    Parameters
    ----------
    conclusion : Conclusion
    alone : Advice
        For the pair by itself.
    reference, other : TrackCorrection
    spectra : PairSpectra
    settings : AdviceSettings

    Returns
    -------
    Advice
    """
    invert = reference.invert != other.invert
    shift_ms = other.shift_ms - reference.shift_ms
    if not conclusion.related:
        return alone
    if abs(shift_ms) < settings.least_delay_ms:
        shift_ms = 0.0
    wanted_ms = _wanted_ms(conclusion, alone)
    differs = alone.invert != invert or abs(wanted_ms - shift_ms) >= settings.least_delay_ms
    action: Action = "flip_and_delay" if invert and shift_ms else "flip" if invert else "delay"
    if not invert and not shift_ms:
        if not differs:
            return alone
        action = "leave"
    gain_db = _gain_db(conclusion, spectra, invert=invert, shift_ms=shift_ms)
    better = differs and alone.gain_db - gain_db >= settings.least_gain_db
    return Advice(
        action=action,
        invert=invert,
        delay_ms=abs(shift_ms),
        gain_db=gain_db,
        why=_why(alone, reference, other, differs=differs),
        shift_ms=shift_ms,
        note=_note(alone, wanted_ms, reference, other) if better else None,
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


def _why(alone: Advice, reference: TrackCorrection, other: TrackCorrection, *, differs: bool) -> str:
    if not differs:
        return alone.why
    told = [f"{track.name}: {track.why}" for track in (reference, other) if track.why]
    return "as the whole session is set; " + "; ".join(told)


def _note(alone: Advice, wanted_ms: float, reference: TrackCorrection, other: TrackCorrection) -> str:
    """Name the setting that this pair would have by itself."""
    words = ["flip one of the two"] if alone.invert else []
    if wanted_ms:
        early = other.name if wanted_ms > 0.0 else reference.name
        words.append(f"delay {early} by {abs(wanted_ms):.2f} ms")
    wish = " and ".join(words) or "stay as it is"
    return (
        f"by itself this pair would rather {wish} ({alone.gain_db:+.1f} dB); "
        "the session is set by each mic's own source and by what serves all sums"
    )
