"""The document's ``curves``: arrays as base64 text and back, so that page, plots and Python draw one curve.

Conventions: arrays are little-endian float32, complex ones interleaved (re, im).  The cross-spectrum is
stored with *b* advanced by ``aligned_ms``, and read back as recorded.
"""

import base64
from typing import Any

import numpy as np

from polaritykit.records import Complexes, Floats, FrequencyBands, PairSpectra, StoredPair


def encode(values: Floats | Complexes) -> str:
    """Write an array as base64 of little-endian float32; complex values interleave (re, im).

    Examples
    --------
    >>> import numpy as np
    >>> encode(np.array([1.0, -2.0]))
    'AACAPwAAAMA='
    """
    flat = np.ascontiguousarray(values)
    plain = flat.view(np.float64) if np.iscomplexobj(flat) else flat
    return base64.b64encode(plain.astype("<f4").tobytes()).decode("ascii")


def decode(text: str) -> Floats:
    """Read an array written by `encode`.

    Examples
    --------
    >>> decode("AACAPwAAAMA=").tolist()
    [1.0, -2.0]
    """
    return np.frombuffer(base64.b64decode(text), dtype="<f4").astype(np.float64)


def bands_entry(bands: FrequencyBands) -> dict[str, Any]:
    """Make the document's ``curves.bands`` from the bands."""
    centres = [round(float(centre), 3) for centre in bands.centre_hz]
    return {"centre_hz": centres, "first": list(bands.first), "last": list(bands.last)}


def pair_entry(
    reference: str, other: str, *, spectra: PairSpectra, aligned_ms: float, correlation: Floats
) -> dict[str, Any]:
    """Make one entry of the document's ``curves.pairs`` from the spectra as recorded.

    ``correlation`` stands on the document's ``curves.lag_ms``: a peak at +2 means that *other* is 2 ms late.
    """
    turn = np.exp(2j * np.pi * spectra.frequency_hz * (aligned_ms * 1e-3))
    return {
        "reference": reference,
        "other": other,
        "aligned_ms": aligned_ms,
        "cross": encode(spectra.cross * turn),
        "correlation": encode(correlation),
    }


def stored_bands(curves: dict[str, Any]) -> FrequencyBands:
    """Read ``curves.bands``."""
    bands = curves["bands"]
    return FrequencyBands(
        centre_hz=np.array(bands["centre_hz"]), first=tuple(bands["first"]), last=tuple(bands["last"])
    )


def stored_pair(curves: dict[str, Any], entry: dict[str, Any]) -> StoredPair:
    """Read one entry of ``curves.pairs``: the spectra as recorded, and the correlation curve."""
    frequency = grid(curves["frequency_hz"])
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
        correlation=decode(entry["correlation"]),
    )


def grid(entry: dict[str, float]) -> Floats:
    """Values of a ``{start, step, count}`` grid."""
    return entry["start"] + entry["step"] * np.arange(int(entry["count"]), dtype=np.float64)
