"""The document of an archive (`archive.json`)."""

from dataclasses import dataclass
from typing import Literal

from polaritykit.base.validate import Program
from polaritykit.jobs.archive.findings import Across
from polaritykit.jobs.archive.records import SessionRecord


@dataclass(frozen=True, kw_only=True)
class Counts:
    """Sessions, and what is to be done in them."""

    sessions: int
    checked: int
    failed: int
    #: Taken up from an earlier run.
    kept: int
    #: Sessions in which something is to be flipped.
    need_a_flip: int
    flips: int
    duration_s: float


@dataclass(frozen=True, kw_only=True)
class ArchiveDocument:
    """Document of `archive`: all sessions, the worst first."""

    schema_version: int
    program: Program
    command: Literal["archive"]
    #: ISO 8601.
    created: str
    root: str
    counts: Counts
    across: Across
    sessions: tuple[SessionRecord, ...]
