"""The document of `pulse read`."""

from dataclasses import dataclass
from typing import Literal

from polaritykit.base.validate import Program
from polaritykit.jobs.pulse.signal import AbsolutePolarity, SignalKind


@dataclass(frozen=True, kw_only=True)
class Channel:
    """What one channel shows."""

    name: str
    file: str
    file_base64: str | None = None
    channel: int
    polarity: AbsolutePolarity
    latency_ms: float | None
    found_at_s: float | None
    #: Against the first channel that was found.
    later_ms: float | None = None
    confidence: float
    reason: str | None


@dataclass(frozen=True, kw_only=True)
class LeftOut:
    """A file that could not be used."""

    file: str
    file_base64: str | None = None
    fault: str


@dataclass(frozen=True, kw_only=True)
class PulseDocument:
    """Document of `pulse read`."""

    schema_version: int
    program: Program
    command: Literal["pulse read"]
    kind: SignalKind
    sample_rate: int
    notes: tuple[str, ...]
    channels: tuple[Channel, ...]
    left_out: tuple[LeftOut, ...]
    meaning: str
