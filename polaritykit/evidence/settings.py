"""What a caller may change in an analysis; every other number stands beside the formula that uses it."""

from dataclasses import dataclass, field

from polaritykit.levels.settings import LevelSettings


@dataclass(frozen=True, kw_only=True)
class Settings:
    """All that a caller may change in an analysis."""

    #: Listen to so much of the take only, in stretches spread over it; None for all.
    listen_s: float | None = None
    levels: LevelSettings = field(default_factory=LevelSettings)
    #: Largest offset looked for in sustained sound: a room's length, or a slow digital link.
    search_ms: float = 40.0
    #: Offsets may be this much larger than the way through the air of a mic plan: converters of different
    #: make differ by the delay of their filters, some 10 to 40 samples at 48 kHz (common practice).
    plan_latency_ms: float = 1.0
