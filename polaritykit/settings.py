"""Every threshold with its reason, as frozen settings passed as arguments; no module-level state."""

from dataclasses import dataclass


@dataclass(frozen=True, kw_only=True)
class LevelSettings:
    """Thresholds of the level and wiring faults."""
