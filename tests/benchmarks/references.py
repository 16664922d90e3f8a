"""Three textbook estimators to compare with: one delay per pair from the whole file, the sign of its peak.

Conventions
-----------
`estimate(tracks, sample_rate_hz)` gives the part of the document that scoring reads.  A textbook estimator
always decides; its confidence is one minus the ratio of the largest value of the other sign to the peak.
Knapp and Carter (1976) for the weightings, Welch (1967) for the averaging.
"""

from collections.abc import Callable, Mapping
from itertools import combinations

import numpy as np

Estimator = Callable[[Mapping[str, np.ndarray], int], dict[str, object]]
#: Search range of all three: a room of seven metres, and the delays a session injects.
REACH_MS = 25.0


def _pair(reference: str, other: str, lags: np.ndarray, r: np.ndarray, rate: int) -> dict[str, object]:
    """Peak, its parabola, its sign, and the margin over the largest lobe of the other sign."""
    k = int(np.argmax(np.abs(r)))
    sign = 1.0 if r[k] >= 0 else -1.0
    peak = float(np.abs(r[k]))
    rival = float(np.max(-sign * r))
    shift = 0.0
    if 0 < k < len(r) - 1:
        a, b, c = sign * r[k - 1 : k + 2]
        shift = float(0.5 * (a - c) / (a - 2 * b + c)) if a - 2 * b + c < 0 else 0.0
    # Robust spread of the whole search range stands for the chance level.
    noise = 1.4826 * float(np.median(np.abs(r - np.median(r))))
    return {
        "reference": reference,
        "other": other,
        "related": bool(peak > 6 * noise),
        "offset_ms": (float(lags[k]) + shift) / rate * 1e3,
        "polarity": "same" if sign > 0 else "inverted",
        "confidence": float(np.clip(1 - rival / peak, 0, 1)) if peak > 0 else 0.0,
        "grade": None,
        "sources": [],
    }


def _all_pairs(
    spectra: Mapping[str, np.ndarray],
    n: int,
    rate: int,
    cross: Callable[[np.ndarray, np.ndarray], np.ndarray],
) -> dict[str, object]:
    from scipy.fft import irfft

    reach = int(REACH_MS * 1e-3 * rate)
    lags = np.arange(-reach, reach + 1)
    pairs = []
    for a, b in combinations(spectra, 2):
        r = irfft(cross(spectra[a], spectra[b]), n)
        pairs.append(_pair(a, b, lags, np.r_[r[-reach:], r[: reach + 1]].astype(float), rate))
    return {"pairs": pairs}


def _whole(tracks: Mapping[str, np.ndarray], rate: int) -> tuple[dict[str, np.ndarray], int]:
    from scipy.fft import next_fast_len, rfft

    length = max(len(x) for x in tracks.values())
    n = next_fast_len(length + int(REACH_MS * 1e-3 * rate) + 1, real=True)
    return {name: rfft(np.asarray(x, dtype=np.float32), n) for name, x in tracks.items()}, n


def _phat(cross: np.ndarray) -> np.ndarray:
    return cross / np.maximum(np.abs(cross), 1e-20)


def full_correlation(tracks: Mapping[str, np.ndarray], sample_rate_hz: int) -> dict[str, object]:
    """Cross-correlation of the whole files."""
    spectra, n = _whole(tracks, sample_rate_hz)
    return _all_pairs(spectra, n, sample_rate_hz, lambda a, b: b * np.conj(a))


def full_phat(tracks: Mapping[str, np.ndarray], sample_rate_hz: int) -> dict[str, object]:
    """Phase transform of the whole files."""
    spectra, n = _whole(tracks, sample_rate_hz)
    return _all_pairs(spectra, n, sample_rate_hz, lambda a, b: _phat(b * np.conj(a)))


def welch_phat(tracks: Mapping[str, np.ndarray], sample_rate_hz: int) -> dict[str, object]:
    """Phase transform of the cross-spectrum averaged over half-overlapping Hann blocks of 8192."""
    from scipy.fft import rfft

    block = 8192
    window = np.hanning(block)
    blocks = {}
    for name, x in tracks.items():
        x = np.pad(np.asarray(x, dtype=float), (0, max(0, block - len(x))))  # noqa: PLW2901 - short files only
        cut = np.lib.stride_tricks.sliding_window_view(x, block)[:: block // 2]
        blocks[name] = rfft(cut * window, axis=1).astype(np.complex64)

    def cross(a: np.ndarray, b: np.ndarray) -> np.ndarray:
        return _phat(np.einsum("ij,ij->j", b, np.conj(a)))

    return _all_pairs(blocks, block, sample_rate_hz, cross)


REFERENCES: dict[str, Estimator] = {
    "full correlation": full_correlation,
    "full PHAT": full_phat,
    "Welch PHAT": welch_phat,
}
