"""The document of `recheck`; differences are new less old."""

from dataclasses import dataclass
from typing import Literal

from polaritykit.base.validate import Program
from polaritykit.jobs.recheck.compare import Recheck


@dataclass(frozen=True, kw_only=True)
class RecheckDocument(Recheck):
    """Document of `recheck`."""

    schema_version: int
    program: Program
    command: Literal["recheck"]
    sentences: tuple[str, ...]
