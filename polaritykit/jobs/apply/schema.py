"""The document of `apply` (`applied.json`)."""

from dataclasses import dataclass
from typing import Literal

from polaritykit.base.validate import Program
from polaritykit.jobs.apply.file_jobs import Chosen
from polaritykit.jobs.check.schema import Session


@dataclass(frozen=True, kw_only=True)
class Applied:
    """What was done to one track; lengths in samples of the file's rate."""

    name: str
    file: str
    file_base64: str | None = None
    channel: int
    invert: bool
    delay_ms: float
    delay_samples: float
    #: Of a recorder that did not start with the others: how much later its sound begins than in its file
    #: (negative: so much is left out), and by how much it was made to run faster.
    lined_up_s: float | None = None
    resampled_ppm: float | None = None
    limited_samples: int
    #: New start of its file, samples since midnight, where delays moved start times.
    start_samples: int | None
    remarks: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class PairGain:
    """Gain of the sum of one pair in its source's band, as predicted and as measured on the copies."""

    reference: str
    other: str
    home: str
    band_hz: tuple[float, float]
    promised_db: float
    had_db: float


@dataclass(frozen=True, kw_only=True)
class OctaveGain:
    """The same of the sum of all tracks in one octave."""

    centre_hz: float
    promised_db: float
    had_db: float


@dataclass(frozen=True, kw_only=True)
class Remaining:
    """What a check of the copies still finds on one track."""

    name: str
    invert: bool
    late_ms: float


@dataclass(frozen=True, kw_only=True)
class MeasuredAgain:
    """The copies, checked again."""

    gains: tuple[PairGain, ...]
    octaves: tuple[OctaveGain, ...]
    headline: str
    left: tuple[Remaining, ...]


@dataclass(frozen=True, kw_only=True)
class AppliedDocument:
    """``applied.json``."""

    schema_version: int
    program: Program
    command: Literal["apply"]
    #: Of the report that was applied.
    session: Session
    set: Chosen
    whole_samples: bool
    as_start_times: bool
    tracks: tuple[Applied, ...]
    measured_again: MeasuredAgain
