"""The document of `bleed`."""

from dataclasses import dataclass
from typing import Literal

from polaritykit.base.types import Polarity
from polaritykit.jobs.bleed.findings import CrossCheck, Goal, PolarityCode
from polaritykit.pages.head import JobDocument

#: One value per option that was judged; gains have none for ``as_recorded``.
Option = Literal["as_recorded", "flipped", "as_checked", "best"]
PerOption = dict[Option, float | None]
Span = tuple[float, float]


@dataclass(frozen=True, kw_only=True)
class Passages:
    """Where one source is alone, seconds."""

    main_alone_s: tuple[Span, ...]
    leaky_alone_s: tuple[Span, ...]


@dataclass(frozen=True, kw_only=True)
class LeakDelays:
    """How late each source reaches the other mic, ms."""

    main_source_in_leaky_mic: float | None
    leaky_source_in_main_mic: float | None


@dataclass(frozen=True, kw_only=True)
class Levels:
    """Level of each source in the sum."""

    main: PerOption
    leaky: PerOption


@dataclass(frozen=True, kw_only=True)
class Overall:
    """All octaves together."""

    weighting: Literal["A"]
    isolation_db: PerOption
    isolation_std_db: PerOption
    gain_db: PerOption
    gain_std_db: PerOption
    level_db: Levels


@dataclass(frozen=True, kw_only=True)
class Band:
    """One octave."""

    centre_hz: float
    reliable: bool
    useful: bool
    isolation_db: PerOption
    isolation_std_db: PerOption
    gain_db: PerOption
    gain_std_db: PerOption
    level_db: Levels
    #: Change of each source's level, and its uncertainty.
    change_db: Levels
    change_std_db: Levels
    main_level_in_main_mic_db: float | None
    isolation_in_main_mic_db: float | None
    isolation_in_leaky_mic_db: float | None


@dataclass(frozen=True, kw_only=True)
class Said:
    """The answer in words."""

    headline: str
    why: str
    remarks: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class OneSetting:
    """One setting that was judged; the delay is of the leaky mic, a negative one of the main mic."""

    flip_leaky: bool
    delay_ms: float


@dataclass(frozen=True, kw_only=True)
class Bleed:
    """What was found."""

    main: str
    leaky: str
    goal: Goal
    #: As a check of the two says.
    wiring: Polarity
    confidence: float | None
    polarity_code: PolarityCode
    #: Track to flip, the one that `check` flips.
    flip: str | None
    #: Of the leaky mic; negative delays the main one.
    delay_ms: float | None
    said: Said
    cross_checks: tuple[CrossCheck, ...]
    settings: dict[Option, OneSetting]
    #: How the sources were told apart: one of them alone, or levels that move; None where they were not.
    sources_from: Literal["passages", "levels"] | None
    passages: Passages
    leak_ms: LeakDelays
    overall: Overall | None
    bands: tuple[Band, ...]


@dataclass(frozen=True, kw_only=True)
class BleedDocument(JobDocument):
    """Document of `bleed`."""

    command: Literal["bleed"]
    bleed: Bleed


@dataclass(frozen=True, kw_only=True)
class MicLeak:
    """How far under a mic's own source another one's lies in it; null in octaves where that is not told."""

    mic: str
    #: The mic whose own source it is.
    source: str
    isolation_db: tuple[float | None, ...]
    isolation_std_db: tuple[float | None, ...]
    #: A-weighted.
    overall_isolation_db: float | None
    overall_isolation_std_db: float | None
    #: How much later than its own mic this one hears it.
    late_ms: float | None


@dataclass(frozen=True, kw_only=True)
class MicsSetting:
    """What flips and delays do to every source in the sum of all mics, against as recorded."""

    flips: tuple[str, ...]
    #: 0 or more.
    delays_ms: dict[str, float]
    #: By the source's own mic, per octave; null where it is not told.
    change_db: dict[str, tuple[float | None, ...]]
    change_std_db: dict[str, tuple[float | None, ...]]
    overall_gain_db: float
    overall_gain_std_db: float


@dataclass(frozen=True, kw_only=True)
class SeveralBleed:
    """What was found of three or more mics with a source each, the main one first."""

    mics: tuple[str, ...]
    goal: Goal
    reason: Literal["found", "too_short", "never_apart"]
    #: As a check of all says.
    wiring_flips: tuple[str, ...]
    wiring_open: tuple[str, ...]
    said: Said
    centre_hz: tuple[float, ...]
    leaks: tuple[MicLeak, ...]
    #: A flip of each mic alone, in their order.
    flipped: tuple[MicsSetting, ...]
    advised: MicsSetting | None


@dataclass(frozen=True, kw_only=True)
class SeveralDocument(JobDocument):
    """Document of `bleed` for three or more mics."""

    command: Literal["bleed"]
    bleed: SeveralBleed
