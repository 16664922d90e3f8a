"""The document's ``curves``: arrays as base64 text and back, so that page, plots and Python draw one curve.

Conventions: spectra are little-endian float32, complex ones interleaved (re, im); correlations little-endian
int16, full scale 1.  The cross-spectrum is stored with *b* advanced by ``aligned_ms``, and read back as
recorded.  Bins are added up in groups of a 192nd of an octave (single bins where they lie further apart):
eight groups to the band a curve is smoothed over, and a third of the bytes.
"""

import base64
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from polaritykit.base.processes import in_processes
from polaritykit.base.turns import turns
from polaritykit.base.types import Complexes, Floats
from polaritykit.base.validate import plain
from polaritykit.spectra.correlation import LinearGrid, correlation_curve, lag_grid
from polaritykit.spectra.pair_sum import FLOOR_DB, log_bands
from polaritykit.spectra.pool import Spectra
from polaritykit.spectra.records import FrequencyBands, PairSpectra
from polaritykit.spectra.seen_notches import seen_notches

#: Lags that are kept, either way.
_LAG_MS = 20.0


@dataclass(frozen=True, kw_only=True)
class StoredPair:
    """What a document keeps of a pair's curves."""

    spectra: PairSpectra
    #: Lags in ms, positive when b is late, and the correlation at each.
    lag_ms: Floats
    correlation: Floats


def encode(values: Floats | Complexes) -> str:
    """Write an array as base64 of little-endian float32; complex values interleave (re, im).

    Examples
    --------
    >>> import numpy as np
    >>> encode(np.array([1.0, -2.0]))
    'AACAPwAAAMA='
    """
    flat = np.ascontiguousarray(values)
    real = flat.view(np.float64) if np.iscomplexobj(flat) else flat
    return base64.b64encode(real.astype("<f4").tobytes()).decode("ascii")


def decode(text: str) -> Floats:
    """Read an array written by `encode`.

    Examples
    --------
    >>> decode("AACAPwAAAMA=").tolist()
    [1.0, -2.0]
    """
    return np.frombuffer(base64.b64decode(text), dtype="<f4").astype(np.float64)


def encode_shares(values: Floats) -> str:
    """Write values within ±1 as base64 of little-endian int16.

    Examples
    --------
    >>> import numpy as np
    >>> decode_shares(encode_shares(np.array([1.0, -0.5, 0.0]))).round(4).tolist()
    [1.0, -0.5, 0.0]
    """
    return encode_samples(np.round(np.clip(values, -1.0, 1.0) * 32767).astype(np.int16))


def encode_samples(samples: NDArray[np.int16]) -> str:
    """Write int16 samples as base64, little-endian."""
    return base64.b64encode(samples.astype("<i2").tobytes()).decode("ascii")


def decode_shares(text: str) -> Floats:
    """Read values written by `encode_shares`."""
    return np.frombuffer(base64.b64decode(text), dtype="<i2").astype(np.float64) / 32767


def group_starts(frequency_hz: Floats, per_octave: int = 192) -> tuple[int, ...]:
    """First bins of the groups a linear grid is stored in.

    Examples
    --------
    Bins 10 Hz apart stay single below about 20/(2^(1/192) − 1) Hz, 5.5 kHz; at 10 kHz three go together:

    >>> import numpy as np
    >>> starts = group_starts(np.arange(2001) * 10.0)
    >>> starts[:3], starts[553:556], starts[-2:]
    ((0, 1, 2), (553, 555, 557), (1988, 1995))
    """
    step = float(frequency_hz[1] - frequency_hz[0])
    growth = 2.0 ** (1.0 / per_octave) - 1.0
    starts, bin_index = [], 0
    while bin_index < len(frequency_hz):
        starts.append(bin_index)
        bin_index += max(1, int(float(frequency_hz[bin_index]) * growth / step))
    return tuple(starts)


def group_centres(frequency_hz: Floats, starts: tuple[int, ...]) -> Floats:
    """Mean frequency of each group."""
    counts = np.diff([*starts, len(frequency_hz)])
    centres: Floats = np.add.reduceat(frequency_hz, starts) / counts
    return centres


def grouped_power(power: Floats, starts: tuple[int, ...]) -> Floats:
    """Power of each group: the sum over its bins."""
    total: Floats = np.add.reduceat(power, starts)
    return total


def bands_entry(bands: FrequencyBands) -> dict[str, Any]:
    """Make the document's ``curves.bands`` from the bands."""
    centres = [round(float(centre), 3) for centre in bands.centre_hz]
    return {"centre_hz": centres, "first": list(bands.first), "last": list(bands.last)}


def pair_entry(
    reference: str,
    other: str,
    *,
    spectra: PairSpectra,
    starts: tuple[int, ...],
    aligned_ms: float,
    correlation: Floats,
) -> dict[str, Any]:
    """Make one entry of the document's ``curves.pairs`` from the spectra as recorded.

    Aligned first, then added up in groups: the other way round the bins of a late track would turn against
    one another and cancel.

    Parameters
    ----------
    reference, other : str
    spectra : PairSpectra
    starts : tuple of int
        From `group_starts`.
    aligned_ms : float
        By how much *other* is advanced before its bins are added up.
    correlation : ndarray
        On the document's ``curves.lag_ms``: a peak at +2 means that *other* is 2 ms late.
    """
    turn = turns(spectra.frequency_hz, -aligned_ms * 1e-3)
    return {
        "reference": reference,
        "other": other,
        "aligned_ms": aligned_ms,
        "cross": encode(np.add.reduceat(spectra.cross * turn, starts)),
        "correlation": encode_shares(correlation),
    }


def stored_bands(curves: dict[str, Any]) -> FrequencyBands:
    """Read ``curves.bands``."""
    bands = curves["bands"]
    return FrequencyBands(
        centre_hz=np.array(bands["centre_hz"]), first=tuple(bands["first"]), last=tuple(bands["last"])
    )


def stored_pair(curves: dict[str, Any], entry: dict[str, Any]) -> StoredPair:
    """Read one entry of ``curves.pairs``: the spectra as recorded, in groups, and the correlation curve."""
    frequency = np.array(curves["frequency_hz"])
    pairs = decode(entry["cross"])
    turn = np.exp(-2j * np.pi * frequency * (entry["aligned_ms"] * 1e-3))
    return StoredPair(
        spectra=PairSpectra(
            frequency_hz=frequency,
            auto_a=decode(curves["tracks"][entry["reference"]]),
            auto_b=decode(curves["tracks"][entry["other"]]),
            cross=(pairs[0::2] + 1j * pairs[1::2]) * turn,
        ),
        lag_ms=grid(curves["lag_ms"]),
        correlation=decode_shares(entry["correlation"]),
    )


def grid(entry: dict[str, float]) -> Floats:
    """Values of a ``{start, step, count}`` grid."""
    return entry["start"] + entry["step"] * np.arange(int(entry["count"]), dtype=np.float64)


@dataclass(frozen=True, kw_only=True)
class Wanted:
    """A pair whose curves are to be kept."""

    #: Places of the two tracks.
    pair: tuple[int, int]
    #: By how much the second is advanced before its bins are added up.
    aligned_ms: float
    #: Per source its offset in ms, None where that or its sign is not known, and whether it is inverted.
    sources: tuple[tuple[float | None, bool], ...]


def curves_entry(
    spectra: Spectra, names: Sequence[str], wanted: Sequence[Wanted], *, most_characters: int
) -> dict[str, Any]:
    """Make the document's ``curves``.

    Parameters
    ----------
    spectra : Spectra
        Of all tracks.
    names : sequence of str
        Of the tracks.
    wanted : sequence of Wanted
        The pairs to keep, most wanted first.
    most_characters : int
        Of all pairs together; the rest is left out.
    """
    lag_ms = min(_LAG_MS, spectra.fft_size / 4 / spectra.sample_rate_hz * 1e3)
    starts = group_starts(spectra.frequency_hz)
    centres = group_centres(spectra.frequency_hz, starts)
    lags = lag_grid(spectra, lag_ms) if wanted else LinearGrid(start=0.0, step=1.0, count=0)
    kept = wanted[: most_characters // (_characters(8 * len(starts)) + _characters(2 * lags.count))]

    def of_pair(item: Wanted) -> dict[str, Any]:
        both = spectra.pair(*item.pair)
        entry = pair_entry(
            names[item.pair[0]],
            names[item.pair[1]],
            spectra=both,
            starts=starts,
            aligned_ms=item.aligned_ms,
            correlation=correlation_curve(spectra, *item.pair, max_lag_ms=lag_ms).values,
        )
        entry["notches"] = [
            plain(seen_notches(both, offset_ms=offset_ms, inverted=inverted))
            for offset_ms, inverted in item.sources
        ]
        return entry

    entries = list(in_processes(of_pair, kept))
    used = {track for item in kept for track in item.pair}
    return {
        "frequency_hz": [round(float(centre), 8) for centre in centres],
        "lag_ms": asdict(lags),
        "bands": bands_entry(log_bands(centres)),
        "floor_db": FLOOR_DB,
        "tracks": {
            names[track]: encode(grouped_power(spectra.power[track], starts))
            for track in sorted(used, key=lambda track: names[track])
        },
        "pairs": entries,
    }


def _characters(n_bytes: int) -> int:
    """Length of bytes in base64 (RFC 4648)."""
    return 4 * -(-n_bytes // 3)
