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

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Literal, Protocol

import numpy as np
from numpy.typing import NDArray

Polarity = Literal["same", "inverted", "unclear"]
Floats = NDArray[np.float64]
Samples = NDArray[np.float32]
#: Called with a stage and the share of it done.
Progress = Callable[[str, float], None]


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
        """Read samples ``[start, stop)`` as ``(n_tracks, stop - start)``; zeros outside the span.

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
    #: Of the file.
    size_bytes: int
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
class FileFingerprint:
    """What tells whether an audio file is still the one that was looked at."""

    size_bytes: int
    sample_rate_hz: int
    channels: int
    #: Samples per channel.
    frames: int
    #: Start in samples since midnight, where the file says so.
    start_samples: int | None
    #: From `file_recording.audio_hash`; None where nobody read the whole file.
    audio_sha256: str | None


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
    #: The folder that holds all files, resolved: it means the same from any working folder.
    folder: Path
    #: Path of each track, as in `tracks` and `faulty` -> where it lies below `folder`, with slashes.
    files: Mapping[Path, str]
    recording: Recording
    tracks: tuple[SessionTrack, ...]
    faulty: tuple[FaultyTrack, ...]
    #: Sentences: common span, start times, resampling, files left out.
    notes: tuple[str, ...]
    #: The files were lined up at their first samples, whatever their headers say.
    start_times_ignored: bool = False

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
    #: The depth if the levels are one sigma further apart; None when they are known to be equal.
    notch_depth_least_db: float | None
    #: Above the louder of the two alone.
    peak_height_db: float
    peak_height_std_db: float
    #: From peak to notch; None when the cancellation is complete.
    ripple_db: float | None
    ripple_std_db: float | None
    #: What was assumed or must be known, as sentences.
    remarks: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class SpectralOffset:
    """Offset and sign of b against a from the phase of their coherent frequencies."""

    #: None when the two share no sound above chance; the other numbers then mean nothing.
    offset_ms: float | None
    offset_std_ms: float
    #: +1 or −1: sign of the correlation at the offset.
    sign: int
    #: Largest peak of the other sign over the peak at the offset; near 1 the sign is open.
    rival: float
    #: Share of the weight whose phase agrees: 1 for a pure delay.
    agreement: float
    reason: str | None


@dataclass(frozen=True, kw_only=True)
class StereoOctave:
    """One octave of a stereo pair (first track L, second R, whatever their names)."""

    centre_hz: float
    #: Level of the louder side in this octave.
    level_dbfs: float
    #: Level of b over a.
    level_difference_db: float
    #: Magnitude-squared coherence, and phase of b against a once b is advanced by the offset.
    coherence: float
    phase_deg: float
    #: Correlation coefficient as recorded, and with b advanced by the offset (and its uncertainty).
    correlation: float
    aligned_correlation: float
    aligned_correlation_std: float
    #: Size of the complex correlation once aligned: how much the octave has to say.
    aligned_size: float
    #: What the mono sum loses against the power sum of both: above 0 cancels, −3 dB is perfect agreement.
    mono_sum_loss_db: float
    mono_sum_loss_flipped_db: float


@dataclass(frozen=True, kw_only=True)
class CorrelationHistory:
    """Correlation coefficient and mono-sum loss in consecutive windows; None where there is silence."""

    window_s: float
    correlation: tuple[float | None, ...]
    mono_sum_loss_db: tuple[float | None, ...]


@dataclass(frozen=True, kw_only=True)
class StereoFindings:
    """What `stereo.analyse_pair` found out about two tracks, a (reference) and b."""

    reference: str
    other: str
    wiring: Polarity
    #: Why the wiring is unclear, or what the verdict rests on.
    wiring_reason: str
    offset_ms: float | None
    offset_std_ms: float | None
    #: Difference of the two paths from the dominant source: the least spacing of the mics.
    path_difference_m: float | None
    #: Level of b over a, broadband.
    level_difference_db: float | None
    correlation: float | None
    mono_sum_loss_db: float | None
    mono_sum_loss_flipped_db: float | None
    worst_moment_s: float | None
    worst_moment_loss_db: float | None
    #: Some sources alike, others inverted, all at no delay: mid-side, or coincident figure-of-eights.
    mixed_signs: bool
    #: Side with the low-cut (``reference`` or ``other``) and its corner, or None.
    low_cut_side: str | None
    low_cut_hz: float | None
    #: 10 or 20 where a pad on the quieter side is suspected, or None.
    pad_db: int | None
    octaves: tuple[StereoOctave, ...]
    history: CorrelationHistory
    #: Flip b? Only where the wiring is inverted.
    invert: bool
    remarks: tuple[str, ...]
    #: ``spectra`` (the phase of the whole take) or ``first arrivals`` (of its main source); of `offset_ms`.
    offset_method: Literal["spectra", "first arrivals"] = "spectra"


@dataclass(frozen=True, kw_only=True)
class BleedOption:
    """What one setting of the leaky mic makes of both sources in the plain sum (levels in dBFS)."""

    invert: bool
    #: Delay of the leaky mic; negative delays the main mic instead.
    delay_ms: float
    #: Per octave: level of the main mic's own source, of the leaky mic's own source, and their difference.
    main_level_db: tuple[float, ...]
    leaky_level_db: tuple[float, ...]
    isolation_db: tuple[float, ...]
    #: Uncertainty of the isolation (bootstrap), one sigma.
    isolation_std_db: tuple[float, ...]
    #: Change of the goal against as recorded, with its uncertainty.
    gain_db: tuple[float, ...]
    gain_std_db: tuple[float, ...]
    #: The same for all octaves together, A-weighted.
    overall_main_level_db: float
    overall_leaky_level_db: float
    overall_isolation_db: float
    overall_isolation_std_db: float
    overall_gain_db: float
    overall_gain_std_db: float


@dataclass(frozen=True, kw_only=True)
class BleedPassages:
    """Times (start, end in s) where one mic's own source is alone."""

    main_alone_s: tuple[tuple[float, float], ...]
    leaky_alone_s: tuple[tuple[float, float], ...]
    #: Noise power per octave in the main and the leaky mic, mean square; zero where no silence was found.
    noise_main: tuple[float, ...]
    noise_leaky: tuple[float, ...]
    #: Mean power per octave over the whole take in the main and the leaky mic.
    whole_main: tuple[float, ...]
    whole_leaky: tuple[float, ...]
    #: Mean cross power of the two per octave over the whole take.
    whole_cross: tuple[float, ...]


@dataclass(frozen=True, kw_only=True)
class BleedFindings:
    """What `bleed.analyse_bleed` found out; the options are empty when a source is never alone."""

    main: str
    leaky: str
    #: ``isolation`` or ``fullness``.
    goal: str
    passages: BleedPassages
    centre_hz: tuple[float, ...]
    as_recorded: BleedOption | None = None
    flipped: BleedOption | None = None
    #: The recommended polarity with the recommended delay, or None.
    delayed: BleedOption | None = None
    #: Isolation inside each mic alone: its own source over the other's leak.
    isolation_in_main_db: tuple[float, ...] = ()
    isolation_in_leaky_db: tuple[float, ...] = ()
    #: Level of the main mic's own source in the main mic alone: what the sum is coloured against.
    main_alone_level_db: tuple[float, ...] = ()
    #: Octaves where the two sources are told apart and clear of the noise, and those that matter as well.
    reliable: tuple[bool, ...] = ()
    useful: tuple[bool, ...] = ()
    #: How late the leaky mic hears the main's source, and the main mic the leaky one's.
    main_leak_ms: float | None = None
    leaky_leak_ms: float | None = None
    recommended_invert: bool | None = None
    recommended_delay_ms: float | None = None
    reason: str = ""
    remarks: tuple[str, ...] = ()
