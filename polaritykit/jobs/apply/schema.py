"""The document of `apply` (`applied.json`)."""

from dataclasses import dataclass
from typing import Literal

from polaritykit.base.validate import Program
from polaritykit.jobs.apply.file_jobs import Part
from polaritykit.jobs.apply.measure_again import Proof
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
    limited_samples: int
    remarks: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class AppliedDocument:
    """``applied.json``."""

    schema_version: int
    program: Program
    command: Literal["apply"]
    #: Of the report that was applied.
    session: Session
    only: Part | None
    whole_samples: bool
    tracks: tuple[Applied, ...]
    measured_again: Proof
