"""What the measurements of a stereo pair mean: wiring, filter, pad, material, and the words for them.

Conventions: as in `polaritykit.jobs.pair.measure`.
"""

from dataclasses import replace

import numpy as np

from polaritykit.base.air import speed_of_sound
from polaritykit.base.types import Polarity
from polaritykit.jobs.pair.findings import CorrelationHistory, StereoFindings, StereoOctave
from polaritykit.jobs.pair.phase_tiles import PhaseTiles
from polaritykit.jobs.pair.remarks import stereo_remarks
from polaritykit.jobs.pair.settings import StereoSettings
from polaritykit.spectra.coherent_offset import MIN_FRAMES
from polaritykit.spectra.pool import Spectra
from polaritykit.spectra.records import SpectralOffset

#: Octaves the level difference of the pair is taken from: neither filters nor air reach them.
_MIDDLE_HZ = (125.0, 8000.0)
#: Losses are not shown beyond this: 1 % agreement of the two sides, finer than any two microphones.
_LOSS_LIMIT_DB = 40.0


def loss_db(power_sum: float, cross: float) -> float:
    """Mono-sum loss: 10·log₁₀((A + B)/(A + B + 2·Re C)), within ±40 dB."""
    if power_sum <= 0.0:
        return 0.0
    kept = max((power_sum + 2.0 * cross) / power_sum, 10.0 ** (-_LOSS_LIMIT_DB / 10.0))
    return float(-10.0 * np.log10(kept)) + 0.0


def judge(
    *,
    names: tuple[str, str],
    spectra: Spectra,
    offset: SpectralOffset,
    octaves: tuple[StereoOctave, ...],
    bottom: StereoOctave | None,
    history: CorrelationHistory,
    tiles: PhaseTiles,
    settings: StereoSettings,
) -> StereoFindings:
    """Put the measurements of one pair together.

    Parameters
    ----------
    names : (str, str)
        Names of a and b.
    spectra : Spectra
        Pooled over the take.
    offset : SpectralOffset
        Of b against a, from the whole take.
    octaves : tuple of StereoOctave
        As recorded and aligned.
    bottom : StereoOctave or None
        The band below, for the second route; None where a side is silent there.
    history : CorrelationHistory
    tiles : PhaseTiles
        Phases of moments of one source.
    settings : StereoSettings
    """
    mixed = _mixed_signs(tiles, offset, settings)
    turned = _turned_octaves(offset, octaves, settings)
    cut_side, cut_hz = _low_cut(spectra, octaves, turned, settings)
    wiring, reason = _wiring(offset, octaves, turned, cut_side is not None, settings)
    by_phase = wiring != "unclear"
    if not by_phase and spectra.n_frames >= MIN_FRAMES:
        wiring, reason = _wiring_from_bottom(bottom, settings) or (wiring, reason)
    if mixed:
        wiring, reason = "unclear", "some sources are alike in both tracks, others inverted, all at no delay"
    worst = _worst(history)
    # With the sign from elsewhere, or none, the lag found is no answer either.
    decided = offset.offset_ms if by_phase and not mixed else None
    facts = StereoFindings(
        reference=names[0],
        other=names[1],
        wiring=wiring,
        wiring_reason=reason,
        offset_ms=decided,
        offset_std_ms=None if decided is None else offset.offset_std_ms,
        path_difference_m=None if decided is None else abs(decided) / 1000 * speed_of_sound().speed_mps,
        offset_method="spectra",
        **_sums(spectra),
        worst_moment_s=None if worst is None else (worst + 0.5) * history.window_s,
        worst_moment_loss_db=None if worst is None else history.mono_sum_loss_db[worst],
        mixed_signs=mixed,
        low_cut_side=cut_side,
        low_cut_hz=cut_hz,
        pad_db=_pad(octaves, settings),
        octaves=octaves,
        history=history,
        invert=wiring == "inverted",
        remarks=(),
    )
    return replace(facts, remarks=tuple(stereo_remarks(facts, settings)))


def _sums(spectra: Spectra) -> dict[str, float | None]:
    """Broadband level difference, correlation and mono-sum losses; None when a side is silent."""
    power_a, power_b = (float(np.sum(spectra.power[track])) for track in (0, 1))
    names = ("level_difference_db", "correlation", "mono_sum_loss_db", "mono_sum_loss_flipped_db")
    if min(power_a, power_b) <= 0.0:
        return dict.fromkeys(names)
    cross = float(np.sum(spectra.cross(0, 1).real))
    values = (
        float(10.0 * np.log10(power_b / power_a)),
        float(np.clip(cross / np.sqrt(power_a * power_b), -1.0, 1.0)),
        loss_db(power_a + power_b, cross),
        loss_db(power_a + power_b, -cross),
    )
    return dict(zip(names, values, strict=True))


def _mixed_signs(tiles: PhaseTiles, offset: SpectralOffset, settings: StereoSettings) -> bool:
    """Whether sources come in both signs at no delay: mid-side, or figure-of-eights at one point."""
    coincident = tiles.same + tiles.inverted
    enough = tiles.total >= 30 and coincident >= settings.coincident_share * tiles.total
    rarer = min(tiles.same, tiles.inverted)
    near = offset.offset_ms is None or abs(offset.offset_ms) <= settings.coincident_ms
    return bool(enough and near and rarer >= settings.mixed_share * coincident)


def _speaks(octave: StereoOctave, settings: StereoSettings) -> bool:
    return octave.aligned_size > max(
        settings.min_correlation, settings.min_sigmas * octave.aligned_correlation_std
    )


def _turned_octaves(
    offset: SpectralOffset, octaves: tuple[StereoOctave, ...], settings: StereoSettings
) -> tuple[StereoOctave, ...]:
    """Speaking octaves at the bottom whose phase departs from the sign of the whole."""
    turned: list[StereoOctave] = []
    if offset.offset_ms is None:
        return ()
    for octave in octaves:
        if octave.centre_hz > settings.filter_below_hz:
            break
        if not _speaks(octave, settings):
            continue
        if offset.sign * np.cos(np.radians(octave.phase_deg)) > np.cos(np.radians(settings.turned_deg)):
            break
        turned.append(octave)
    return tuple(turned)


def _wiring(
    offset: SpectralOffset,
    octaves: tuple[StereoOctave, ...],
    turned: tuple[StereoOctave, ...],
    filtered: bool,
    settings: StereoSettings,
) -> tuple[Polarity, str]:
    """Sign that holds over the octaves above a filter, or "unclear" and why."""
    if offset.offset_ms is None:
        return "unclear", offset.reason or ""
    if offset.rival > settings.max_rival:
        return (
            "unclear",
            "what both tracks share is too narrow a band: half a period away it reads the other way",
        )
    rest = [octave for octave in octaves if _speaks(octave, settings) and octave not in turned]
    say = sum(octave.aligned_size for octave in rest)
    agreement = offset.sign * sum(octave.aligned_correlation for octave in rest) / say if say else 0.0
    if len(rest) < settings.min_octaves or agreement < settings.min_agreement:
        return "unclear", "the octaves do not agree on one sign"
    if turned and not filtered and (len(rest) < 3 or agreement < 0.8):
        return "unclear", "the bottom octaves contradict the others, and no filter explains it"
    named = f"{len(rest)} octaves, {_hz(rest[0].centre_hz)} to {_hz(rest[-1].centre_hz)}, agree"
    return ("same" if offset.sign > 0 else "inverted"), named


def _wiring_from_bottom(bottom: StereoOctave | None, settings: StereoSettings) -> tuple[Polarity, str] | None:
    """Second route, for many sources at once: sign at the bottom, where spacing hardly turns the phase."""
    if bottom is None or abs(bottom.correlation) < max(
        settings.min_bottom_correlation, settings.min_sigmas * bottom.aligned_correlation_std
    ):
        return None
    return (
        "same" if bottom.correlation > 0.0 else "inverted",
        f"no single delay fits, but from 44 to 177 Hz the two correlate by {bottom.correlation:.2f}",
    )


def _level_step_db(octaves: tuple[StereoOctave, ...]) -> tuple[float, float] | None:
    """Median and scatter of the level difference over the middle octaves."""
    low, high = _MIDDLE_HZ
    differences = [octave.level_difference_db for octave in octaves if low <= octave.centre_hz <= high]
    if len(differences) < 3:
        return None
    return float(np.median(differences)), float(np.std(differences))


def _pad(octaves: tuple[StereoOctave, ...], settings: StereoSettings) -> int | None:
    step = _level_step_db(octaves)
    if step is None or step[1] > settings.flat_db:
        return None
    near = [pad for pad in (10, 20) if abs(abs(step[0]) - pad) <= settings.pad_window_db]
    return near[0] if near else None


def _low_cut(
    spectra: Spectra,
    octaves: tuple[StereoOctave, ...],
    turned: tuple[StereoOctave, ...],
    settings: StereoSettings,
) -> tuple[str | None, float | None]:
    """Side that lacks the bottom, and the corner (−3 dB) seen in the level difference."""
    step = _level_step_db(octaves)
    bottom = [octave for octave in octaves if octave.centre_hz <= settings.filter_below_hz]
    if step is None or step[1] > settings.flat_db or not bottom:
        return None, None
    lowest = turned[0] if turned else bottom[0]
    missing_db = lowest.level_difference_db - step[0]
    if abs(missing_db) < (settings.filter_loss_db if turned else settings.low_cut_db):
        return None, None
    if not turned and len(bottom) > 1:
        # A filter goes on falling; a room mode does not.
        slope_db = lowest.level_difference_db - bottom[1].level_difference_db
        if slope_db * np.sign(missing_db) < settings.filter_loss_db:
            return None, None
    side = "other" if missing_db < 0.0 else "reference"
    return side, _corner_hz(spectra, float(np.sign(missing_db)), step[0], lowest.centre_hz, settings)


def _corner_hz(
    spectra: Spectra, sign: float, step_db: float, from_hz: float, settings: StereoSettings
) -> float | None:
    """Lowest frequency where the weaker side is back within 3 dB, from third octaves."""
    centres = from_hz * 2.0 ** (np.arange(0, 13) / 3.0)
    previous: tuple[float, float] | None = None
    for centre_hz in centres[centres < 2.0 * settings.filter_below_hz]:
        inside = np.abs(np.log2(np.maximum(spectra.frequency_hz, 1.0) / centre_hz)) <= 1.0 / 6.0
        power_a, power_b = (float(np.sum(spectra.power[track][inside])) for track in (0, 1))
        if min(power_a, power_b) <= 0.0:
            continue
        missing_db = sign * (10.0 * np.log10(power_b / power_a) - step_db)
        if missing_db < 3.0:
            if previous is None:
                return None
            # Straight line over log frequency between the two third octaves.
            share = (previous[1] - 3.0) / (previous[1] - missing_db)
            return float(previous[0] * (centre_hz / previous[0]) ** share)
        previous = (float(centre_hz), missing_db)
    return None


def _worst(history: CorrelationHistory) -> int | None:
    heard = [index for index, loss in enumerate(history.mono_sum_loss_db) if loss is not None]
    return max(heard, key=lambda index: history.mono_sum_loss_db[index] or 0.0, default=None)


def _hz(value: float) -> str:
    return f"{value / 1000:g} kHz" if value >= 1000 else f"{value:g} Hz"
