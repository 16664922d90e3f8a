"""Levels of sums of tracks, source by source and octave by octave, from spectra gated to each source's sound.

Conventions
-----------
parts
    spectra per bin, ``(n_bins, n_tracks, n_parts)``, of the source's hits or frames, or their mean alone as
    one part; powers are means over the parts.
weights
    complex, ``(n_bins, n_tracks)``: gain·sign·exp(−2πjf·shift), 0 for a track that is not in the sum; its
    power is |Σ w X|².
octaves
    the judged ones lie from 63 Hz to 1 kHz: above, an octave holds so many notches of any delay that its
    level is that of the power sum, whatever is set.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from polaritykit.base.hann import periodic_hann
from polaritykit.base.octaves import octave_bins
from polaritykit.base.turns import turns
from polaritykit.base.types import Complexes, Floats, Recording, read_only

#: Octaves that are judged, and all that may be a source's strongest (IEC 61260-1).
JUDGED_HZ = (63.0, 125.0, 250.0, 500.0, 1000.0)
ALL_HZ = (31.5, *JUDGED_HZ, 2000.0, 4000.0, 8000.0, 16_000.0)
#: An octave this far below the source's strongest is not heard of it (as the comb's depth is judged).
RANGE_DB = 20.0
#: An octave of averaged strokes holds the source where a tenth of its energy repeats, and from this many
#: standard deviations above what chance leaves of that many.
REPEATED_SHARE, REPEATED_DEVIATIONS = 0.1, 3.0
#: Strokes are left out in so many groups to tell how well a level is known.
GROUPS = 6
#: The gate opens this long before the home track hears a stroke (others may be early by converters), is
#: open for the length of a drum's body, and closes over as much again (on simulated kits the levels foretold
#: of a source's octaves were nearest the true ones, 0.8 dB, with these; half and double 1.0 and 1.3 dB).
_BEFORE_S, _RISE_S, _OPEN_S, _CLOSED_S = 0.025, 0.010, 0.120, 0.240


@dataclass(frozen=True, kw_only=True)
class GatedSpectra:
    """One source's sound in all tracks."""

    #: Bins of the judged octaves.
    frequency_hz: Floats
    #: Shape (n_bins, n_tracks, n_parts).
    parts: Complexes | NDArray[np.complex64]
    #: The same of whole strokes with all that sounds along; `parts` where nothing was averaged.
    plain: Complexes | NDArray[np.complex64]
    #: Index of each bin's octave in `JUDGED_HZ`, shape (n_bins,).
    octave: NDArray[np.int64]
    #: Power per octave of `ALL_HZ` and track; 0 for tracks that are not held.
    octave_power: Floats
    #: The average of strokes with a group of them left out at a time, shape (n_groups, n_bins, n_tracks);
    #: None where nothing was averaged.
    without: NDArray[np.complex64] | None = None
    #: Where each track lies in `parts` and `plain`, −1 where it is not held; None where all are, in order.
    columns: NDArray[np.int64] | None = None

    def held(self, tracks: NDArray[np.int64]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Those of some tracks that are held, and where they lie in `parts`."""
        if self.columns is None:
            return tracks, tracks
        inside = self.columns[tracks] >= 0
        return tracks[inside], self.columns[tracks[inside]]

    def leaving_out(self, group: int) -> "GatedSpectra":
        """Return the same with a group of strokes or frames left out; itself where there is but one."""
        if self.without is not None:
            return replace(self, parts=self.without[group % len(self.without), :, :, None])
        count = self.parts.shape[2]
        groups = min(GROUPS, count)
        if groups < 2:
            return self
        return replace(self, parts=self.parts[:, :, np.arange(count) % groups != group % groups])

    def cross(self, a: int, b: int) -> Complexes:
        """Mean of conj(X_a)·X_b per bin; a's own power for a twice."""
        tracks, places = self.held(np.array([a, b]))
        if len(tracks) < 2:
            return np.zeros(len(self.parts), np.complex128)
        one, other = (self.parts[:, place] for place in places)
        return np.asarray(np.mean(np.conj(one) * other, axis=-1, dtype=np.complex128))


def gated_spectra(
    windows: Sequence[Floats | NDArray[np.float32]], sample_rate_hz: int, *, taper: Floats, repeats: bool
) -> GatedSpectra:
    """Pool the spectra of windows around a source's hits or frames.

    Parameters
    ----------
    windows : sequence of ndarray, shape (n_tracks, n_samples) each
    sample_rate_hz : int
    taper : ndarray, shape (n_samples,)
    repeats : bool
        Strokes, whose average is taken: what they have in common stays, other sources, reverberation of
        earlier strokes and noise fall with their number.

    Returns
    -------
    GatedSpectra
    """
    from scipy.fft import rfft

    n_tracks, n = windows[0].shape
    frequency: Floats = np.asarray(np.fft.rfftfreq(n, 1 / sample_rate_hz), np.float64)
    bands = [octave_bins(frequency, centre) for centre in JUDGED_HZ]
    chosen = np.flatnonzero(np.any(bands, axis=0))
    octave = np.argmax([band[chosen] for band in bands], axis=0)
    gate = taper.astype(np.float32)
    powers = np.zeros((n_tracks, len(frequency)), windows[0].dtype)
    kept = np.empty((len(windows), n_tracks, len(chosen)), np.result_type(windows[0], np.complex64))
    # Window by window: what is worked out of one stays in the cache.
    for own, window in zip(kept, windows, strict=True):
        spectra = rfft(window * gate, axis=-1)
        powers += np.abs(spectra) ** 2
        own[:] = spectra[:, chosen]
    powers /= len(windows)
    octave_power = np.stack([powers[:, octave_bins(frequency, c)].sum(axis=1) for c in ALL_HZ])
    plain = np.ascontiguousarray(kept.transpose(2, 1, 0))
    count = plain.shape[2] if repeats else 1
    without = None
    if count > 1:
        parts = plain.mean(axis=2, keepdims=True, dtype=np.complex128)
        without = _without(plain)
    else:
        parts = plain = plain.astype(np.complex128)
    for k, centre in enumerate(JUDGED_HZ):
        power = parts_power(parts[octave == k]).sum(axis=0)
        if count > 1:
            chance = parts_power(plain[octave == k]).sum(axis=0) / count
            # The power of noise in a band scatters by one over the root of its width times its length.
            scatter = (centre / np.sqrt(2.0) * _length_s(taper, sample_rate_hz)) ** -0.5
            least = 1.0 + max(REPEATED_SHARE * (count - 1), REPEATED_DEVIATIONS * scatter)
            power = np.where(power >= least * chance, power, 0.0)
        octave_power[ALL_HZ.index(centre)] = power
    return GatedSpectra(
        frequency_hz=read_only(np.asarray(frequency[chosen], np.float64)),
        parts=parts,
        plain=plain,
        octave=octave.astype(np.int64),
        octave_power=read_only(octave_power),
        without=without,
    )


def _without(strokes: NDArray[np.complex64]) -> NDArray[np.complex64]:
    """Average with each group of strokes left out: neighbours in time lie in different groups."""
    count = strokes.shape[2]
    total, groups = strokes.sum(axis=2), min(GROUPS, count)
    sums = [strokes[:, :, group::groups] for group in range(groups)]
    return np.stack([(total - own.sum(axis=2)) / (count - own.shape[2]) for own in sums])


def _length_s(taper: Floats, sample_rate_hz: int) -> float:
    """Length of a gate as noise counts it."""
    return float((taper**2).sum() ** 2 / (taper**4).sum() / sample_rate_hz)


def parts_power(parts: Complexes | NDArray[np.complex64]) -> Floats:
    """Mean power over the parts, which lie along the last axis."""
    return np.asarray(np.mean(np.square(np.abs(parts), dtype=np.float64), axis=-1))


def struck_spectra(
    recording: Recording, at_samples: NDArray[np.int64], tracks: tuple[int, ...] | None = None
) -> GatedSpectra:
    """Gate a recording to a source's strokes.

    Parameters
    ----------
    recording : Recording
    at_samples : ndarray of int
        When the home track hears each stroke.
    tracks : tuple of int, optional
        Tracks to hold; all when left out.

    Returns
    -------
    GatedSpectra
    """
    from scipy.fft import next_fast_len

    rate = recording.sample_rate_hz
    before, rise = round(_BEFORE_S * rate), round(_RISE_S * rate)
    opened, closed = round(_OPEN_S * rate), round(_CLOSED_S * rate)
    n = next_fast_len(before + closed, real=True)
    taper = np.zeros(n)
    taper[: before + opened] = 1.0
    taper[:rise] = np.sin(np.linspace(0.0, np.pi / 2, rise)) ** 2
    taper[before + opened : before + closed] = np.cos(np.linspace(0.0, np.pi / 2, closed - opened)) ** 2
    windows = [recording.read(int(at) - before, int(at) - before + n, tracks) for at in at_samples]
    found = gated_spectra(windows, rate, taper=taper, repeats=True)
    return _placed(found, tracks, len(recording.track_names))


def _placed(spectra: GatedSpectra, tracks: tuple[int, ...] | None, n_tracks: int) -> GatedSpectra:
    """Tell which tracks of the session the spectra hold."""
    if tracks is None:
        return spectra
    columns = np.full(n_tracks, -1, dtype=np.int64)
    columns[list(tracks)] = np.arange(len(tracks))
    power = np.zeros((len(spectra.octave_power), n_tracks))
    power[:, list(tracks)] = spectra.octave_power
    return replace(spectra, columns=columns, octave_power=read_only(power))


def sustained_spectra(
    recording: Recording, at_samples: NDArray[np.int64], frame: int, tracks: tuple[int, ...] | None = None
) -> GatedSpectra:
    """Gate a recording to the frames in which a source's home track dominates.

    Parameters
    ----------
    recording : Recording
    at_samples : ndarray of int, shape (n_frames,)
        Where each begins.
    frame : int
        Its samples.
    tracks : tuple of int, optional
        Tracks to hold; all when left out.

    Returns
    -------
    GatedSpectra
    """
    windows = [recording.read(int(at), int(at) + frame, tracks) for at in at_samples]
    found = gated_spectra(windows, recording.sample_rate_hz, taper=periodic_hann(frame), repeats=False)
    return _placed(found, tracks, len(recording.track_names))


def whole_strokes(spectra: GatedSpectra) -> GatedSpectra:
    """Return the spectra with nothing averaged out: for tracks that hear their source far above all else."""
    power = spectra.octave_power.copy()
    own = parts_power(spectra.plain)
    tracks, places = spectra.held(np.arange(power.shape[1]))
    for k, centre in enumerate(JUDGED_HZ):
        power[ALL_HZ.index(centre), tracks] = own[spectra.octave == k].sum(axis=0)[places]
    return replace(spectra, parts=spectra.plain.astype(np.complex128), octave_power=read_only(power))


def levelled_at_home(spectra: GatedSpectra, home: int) -> GatedSpectra:
    """Raise the octaves by what averaging lost of them on the track a source is at home on.

    Strokes differ: their average holds less of an octave than each of them did, and nearly all of a home
    track is the source's own.

    Parameters
    ----------
    spectra : GatedSpectra
    home : int
        Track.
    """
    _, places = spectra.held(np.array([home]))
    if not len(places):
        return spectra
    power = spectra.octave_power.copy()
    whole, averaged = (parts_power(parts)[:, places[0]] for parts in (spectra.plain, spectra.parts))
    for k, centre in enumerate(JUDGED_HZ):
        inside = spectra.octave == k
        left = averaged[inside].sum()
        power[ALL_HZ.index(centre)] *= whole[inside].sum() / left if left > 0.0 else 1.0
    return replace(spectra, octave_power=read_only(power))


def heard_octaves(spectra: GatedSpectra, gains: Floats, tracks: Sequence[int]) -> NDArray[np.bool_]:
    """Judged octaves within `RANGE_DB` of the source's strongest one, in the power sum of some tracks.

    Parameters
    ----------
    spectra : GatedSpectra
        Of one source.
    gains : ndarray, shape (n_tracks,)
        Of the sum, with the tracks' signs; 0 for tracks that are not in it.
    tracks : sequence of int

    Returns
    -------
    ndarray of bool, shape (n_octaves,)
    """
    power = spectra.octave_power[:, list(tracks)] @ (gains[list(tracks)] ** 2)
    judged = power[[ALL_HZ.index(centre) for centre in JUDGED_HZ]]
    found: NDArray[np.bool_] = (judged > 0) & (judged >= power.max() * 10.0 ** (-RANGE_DB / 10.0))
    return found


def weights(spectra: GatedSpectra, gains: Floats, shifts_s: Floats) -> Complexes:
    """Weight of each track in a sum, bin by bin: its gain, turned by its shift.

    Parameters
    ----------
    spectra : GatedSpectra
        Of one source.
    gains : ndarray, shape (n_tracks,)
        Of the sum, with the tracks' signs; 0 for tracks that are not in it.
    shifts_s : ndarray, shape (n_tracks,)

    Returns
    -------
    ndarray of complex, shape (n_bins, n_tracks)
    """
    found = np.zeros((len(spectra.frequency_hz), len(gains)), np.complex128)
    used = np.flatnonzero(gains)
    found[:, used] = gains[used] * turns(spectra.frequency_hz, shifts_s[used]).T
    return found


def octave_powers(
    spectra: GatedSpectra, weight: Complexes, moving: Sequence[int] = (), candidates_s: Floats | None = None
) -> Floats:
    """Power of a sum per octave, with some tracks moved together by each candidate.

    Parameters
    ----------
    spectra : GatedSpectra
    weight : ndarray, shape (n_bins, n_tracks)
    moving : sequence of int
        Tracks that take the candidates on top of their own shifts.
    candidates_s : ndarray, optional
        One candidate of 0 when left out.

    Returns
    -------
    ndarray, shape (n_octaves, n_candidates)
    """
    mover = np.zeros(weight.shape[1], dtype=bool)
    mover[list(moving)] = True
    # What is in the sum is so at every bin.
    used, places = spectra.held(np.flatnonzero(weight[:1].any(axis=0)))
    both = weight[:, None, used] * np.stack([~mover, mover])[:, used]
    sums = np.matmul(both, spectra.parts[:, places])
    still, moved = sums[:, 0], sums[:, 1]
    inside = np.arange(len(JUDGED_HZ))[:, None] == spectra.octave
    fixed = inside @ np.mean(np.square(np.abs(sums)).sum(axis=1), axis=1)
    crossing = inside * np.mean(still.conj() * moved, axis=1)
    if candidates_s is None:
        return np.asarray(fixed + 2.0 * crossing.sum(axis=1).real)[:, None]
    grid = spectra.frequency_hz.tobytes(), candidates_s.tobytes()
    return np.asarray(fixed[:, None] + 2.0 * (crossing @ _candidate_turns(*grid)).real)


@lru_cache(maxsize=8)
def _candidate_turns(frequency_hz: bytes, candidates_s: bytes) -> Complexes:
    """Phases of candidates, which are alike for all sources of a kind, (n_bins, n_candidates)."""
    return np.ascontiguousarray(turns(np.frombuffer(frequency_hz), np.frombuffer(candidates_s)).T)


def octave_levels_db(powers: Floats) -> Floats:
    """Powers in dB, silence far down but finite."""
    return np.asarray(10.0 * np.log10(np.maximum(powers, 1e-30)))


def energy_shares(spectra: GatedSpectra, gains: Floats, heard: NDArray[np.bool_]) -> Floats:
    """Share of each judged octave in a source's energy, by the power sum of the tracks with a gain.

    Parameters
    ----------
    spectra : GatedSpectra
        Of one source.
    gains : ndarray, shape (n_tracks,)
        Of the sum, with the tracks' signs; 0 for tracks that are not in it.
    heard : ndarray of bool, shape (n_octaves,)
        From `heard_octaves`; the others have no share.

    Returns
    -------
    ndarray, shape (n_octaves,)
    """
    power = spectra.octave_power @ (gains**2)
    judged = np.where(heard, power[[ALL_HZ.index(centre) for centre in JUDGED_HZ]], 0.0)
    total = judged.sum()
    return np.asarray(judged / total if total > 0.0 else judged)
