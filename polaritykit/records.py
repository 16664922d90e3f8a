"""Results and inputs as frozen records; units live in the names.

Conventions
-----------
offset
    ``offset_ms`` of *b* against *a* is **positive when b hears the sound later**.  Swapping the pair
    negates the offset and keeps the polarity.
polarity
    ``"same"``, ``"inverted"`` or ``"unclear"``: a sign, not a phase angle.
levels
    dB, 20·log10 of amplitude; ``dbfs`` is relative to a full-scale sample of 1.0.
arrays
    audio is ``(n_tracks, n_samples)`` float32; arrays kept in records are read-only.
not known
    ``None`` with a reason beside it, never NaN.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Literal, Protocol

import numpy as np
from numpy.typing import NDArray

Polarity = Literal["same", "inverted", "unclear"]
Floats = NDArray[np.float64]
Samples = NDArray[np.float32]


class Recording(Protocol):
    """A session's audio, all tracks on one clock; the only way computation sees sound."""

    @property
    def sample_rate_hz(self) -> int:
        """Common sample rate."""

    @property
    def track_names(self) -> tuple[str, ...]:
        """Names in session order."""

    @property
    def n_samples(self) -> int:
        """Length of the common span."""

    def read(self, start: int, stop: int, tracks: tuple[int, ...] | None = None) -> Samples:
        """Samples ``[start, stop)`` as ``(n_tracks, stop - start)``; zeros outside the span.

        ``tracks`` restricts the rows (indices in session order).
        """

    def blocks(self, block_samples: int) -> Iterator[tuple[int, Samples]]:
        """Yield ``(start, samples)`` over the whole span once; the last block may be shorter."""


def read_only(array: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the array with writing switched off."""
    array.setflags(write=False)
    return array


@dataclass(frozen=True, kw_only=True)
class TrackLevels:
    """Levels and level faults of one track."""

    peak_dbfs: float | None
    true_peak_dbtp: float | None
    rms_dbfs: float | None
    crest_db: float | None
    noise_floor_dbfs: float | None
    #: Mean of the samples as a fraction of full scale.
    dc_offset: float
    clipped_runs: int
    clipped_samples: int
    #: Level of the flat tops: well below 0 means clipped first and turned down later; None without any.
    clip_dbfs: float | None = None
    #: Mains frequency found (50 or 60), or None.
    hum_hz: float | None
    #: Level of the hum's harmonics together.
    hum_dbfs: float | None
    #: Name of an earlier track this one copies (up to gain and sign), or None.
    duplicate_of: str | None
    #: ``clipped``, ``true_peak_over``, ``silent``, ``dc_offset``, ``duplicate``, ``hum``, ``not_finite``.
    faults: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class SessionTrack:
    """One usable track of a session and where it lies."""

    name: str
    path: Path
    #: Channel of the file, from 0.
    channel: int
    #: Channels of the file.
    channels: int
    #: Rate of the file; the session's may be higher.
    file_rate_hz: int
    #: Samples per channel in the file.
    frames: int
    #: Samples since midnight at the file's rate, where the file says so.
    time_reference: int | None
    #: From the file's first sample to the start of the session's common span.
    lead_s: float
    #: Container and sample format as libsndfile names them (``WAV``, ``PCM_24``).
    format: str
    subtype: str


@dataclass(frozen=True, kw_only=True)
class FaultyTrack:
    """A file that was asked for and cannot be used."""

    name: str
    path: Path
    #: ``unreadable`` or ``too_short``.
    fault: str
    #: One sentence for the reader.
    remark: str


@dataclass(frozen=True, kw_only=True)
class Session:
    """A session as opened: its audio on one clock, its tracks, and what was done to the input."""

    name: str
    #: The folder that holds all files.
    folder: Path
    recording: Recording
    tracks: tuple[SessionTrack, ...]
    faulty: tuple[FaultyTrack, ...]
    #: Sentences: common span, start times, resampling, files left out.
    notes: tuple[str, ...]

    @property
    def sample_rate_hz(self) -> int:
        """Rate of the session."""
        return self.recording.sample_rate_hz

    @property
    def n_samples(self) -> int:
        """Length of the common span."""
        return self.recording.n_samples


Complexes = NDArray[np.complex128]


@dataclass(frozen=True, kw_only=True)
class PairSpectra:
    """Spectra of a pair as recorded, all of shape ``(n_bins,)``."""

    frequency_hz: Floats
    #: Power spectra of the two tracks, in one and the same scale.
    auto_a: Floats
    auto_b: Floats
    #: ``conj(X_a) * X_b``, in that scale, nothing aligned.
    cross: Complexes


@dataclass(frozen=True, kw_only=True)
class StoredPair:
    """What a document keeps of a pair's curves."""

    spectra: PairSpectra
    #: Lags in ms, positive when b is late, and the correlation at each.
    lag_ms: Floats
    correlation: Floats


@dataclass(frozen=True, kw_only=True)
class FrequencyBands:
    """Points of a curve over log frequency, each a run of bins of a linear grid."""

    centre_hz: Floats
    #: First and last bin of each band, both inclusive.
    first: tuple[int, ...]
    last: tuple[int, ...]


@dataclass(frozen=True, kw_only=True)
class FourResponses:
    """Summed response over frequency for the four options, dB against the power sum."""

    as_recorded_db: Floats
    flipped_db: Floats
    aligned_db: Floats
    aligned_flipped_db: Floats


@dataclass(frozen=True, kw_only=True)
class BandLevels:
    """Level of the sum in one band for the four options, dB against the power sum."""

    as_recorded: float
    flipped: float
    aligned: float
    aligned_flipped: float


@dataclass(frozen=True, kw_only=True)
class BandGains:
    """Levels of the sum in one band, and the change of each option against as recorded, dB."""

    level_db: BandLevels
    flipped_db: float
    aligned_db: float
    aligned_flipped_db: float


@dataclass(frozen=True, kw_only=True)
class SoundSpeed:
    """Speed of sound in the air at hand; uncertainties are one sigma."""

    speed_mps: float
    std_mps: float
    #: ``Cramer 1993``, ``ISO 9613-1`` (outside the first one's range) or ``given``.
    formula: str
    #: Temperature and humidity used; None where the speed itself was given.
    temperature_c: float | None
    humidity_percent: float | None
    #: What the reader must know about the formula, or None.
    note: str | None


@dataclass(frozen=True, kw_only=True)
class CombPrediction:
    """What the sum of a sound and its delayed copy does to the spectrum; uncertainties are one sigma."""

    delay_ms: float
    delay_std_ms: float
    path_difference_m: float
    path_difference_std_m: float
    sound: SoundSpeed
    inverted: bool
    #: Level between the two, 0 or more; which one is louder does not change the comb.
    level_difference_db: float
    level_difference_std_db: float
    up_to_hz: float
    #: Cancelled and reinforced frequencies up to ``up_to_hz``; relative uncertainty is that of the delay.
    notches_hz: Floats
    notches_std_hz: Floats
    peaks_hz: Floats
    peaks_std_hz: Floats
    #: Below the louder of the two alone; None when the cancellation is complete (equal levels).
    notch_depth_db: float | None
    notch_depth_std_db: float | None
    #: Above the louder of the two alone.
    peak_height_db: float
    peak_height_std_db: float
    #: From peak to notch; None when the cancellation is complete.
    ripple_db: float | None
    ripple_std_db: float | None
    #: What was assumed or must be known, as sentences.
    remarks: tuple[str, ...]
