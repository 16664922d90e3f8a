"""The document of `comb`; a plan's pairs hold the same fields."""

from dataclasses import dataclass
from typing import Literal

from polaritykit.base.validate import Program


@dataclass(frozen=True, kw_only=True)
class CombFields:
    """Notches and peaks of a sound and its later copy."""

    delay_ms: float
    delay_std_ms: float
    delay_samples: float
    delay_std_samples: float
    path_difference_m: float
    path_difference_std_m: float
    polarity: Literal["same", "inverted"]
    level_difference_db: float
    level_difference_std_db: float
    up_to_hz: float
    notch_spacing_hz: float | None
    first_notch_hz: float | None
    first_notch_std_hz: float | None
    first_notch_note: str | None
    notches_hz: tuple[float, ...]
    peaks_hz: tuple[float, ...]
    complete_cancellation: bool
    #: None where the cancellation is complete: JSON has no infinity.
    notch_depth_db: float | None
    notch_depth_std_db: float | None
    notch_depth_least_db: float | None
    peak_height_db: float
    peak_height_std_db: float
    ripple_db: float | None
    ripple_std_db: float | None


@dataclass(frozen=True, kw_only=True)
class SoundFields:
    """Speed of sound and what it was worked out from."""

    speed_of_sound_mps: float
    speed_of_sound_std_mps: float
    speed_of_sound_formula: str
    temperature_c: float | None
    humidity_percent: float | None


@dataclass(frozen=True, kw_only=True)
class CombDocument(CombFields, SoundFields):
    """Document of `comb`."""

    schema_version: int
    program: Program
    command: Literal["comb"]
    sample_rate: float
    notches_std_hz: tuple[float, ...]
    peaks_std_hz: tuple[float, ...]
    remarks: tuple[str, ...]
