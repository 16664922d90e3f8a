"""What only many sessions can tell."""

from dataclasses import dataclass


@dataclass(frozen=True, kw_only=True)
class Inverted:
    """A track name that is inverted in most sessions that have it."""

    name: str
    sessions: int
    inverted: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class Clipping:
    """A track name whose sound is clipped in several sessions."""

    name: str
    sessions: int
    clipped: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class Wandering:
    """A pair of names whose offset is not the same in all sessions."""

    reference: str
    other: str
    sessions: int
    median_ms: float
    #: Sessions whose offset is another one, with it.
    elsewhere: tuple[tuple[str, float], ...]


@dataclass(frozen=True, kw_only=True)
class Across:
    """All of it, the commonest first."""

    inverted: tuple[Inverted, ...]
    clipping: tuple[Clipping, ...]
    wandering: tuple[Wandering, ...]
