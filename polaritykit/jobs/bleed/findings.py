"""What the check of a leak finds: codes and numbers, no words.

Conventions: levels in dBFS; changes against as recorded; delays in ms, of the leaky mic, negative ones of the
main mic instead.
"""

from dataclasses import dataclass
from typing import Literal

from polaritykit.base.types import Polarity

Goal = Literal["isolation", "fullness"]
#: ``wiring`` of the two is opposed: one is flipped; ``goal`` gains by a flip; ``alike`` wired, left;
#: ``loses`` by a flip, left; ``listen`` since single octaves change by more than 3 dB and the whole does
#: not; ``nothing`` is decided; ``together`` the two sources cannot be told apart.
PolarityCode = Literal["wiring", "goal", "alike", "loses", "listen", "nothing", "together"]


@dataclass(frozen=True, kw_only=True)
class BleedOption:
    """What one setting of the two mics makes of both sources in the plain sum."""

    invert: bool
    delay_ms: float
    #: Per octave: level of the main mic's own source, of the leaky mic's own source, and their difference.
    main_level_db: tuple[float, ...]
    leaky_level_db: tuple[float, ...]
    isolation_db: tuple[float, ...]
    #: Uncertainty of the isolation (bootstrap), one sigma.
    isolation_std_db: tuple[float, ...]
    #: Change of the goal against as recorded, with its uncertainty.
    gain_db: tuple[float, ...]
    gain_std_db: tuple[float, ...]
    #: Change of each source's own level, with its uncertainty.
    main_change_db: tuple[float, ...]
    main_change_std_db: tuple[float, ...]
    leaky_change_db: tuple[float, ...]
    leaky_change_std_db: tuple[float, ...]
    #: The same for all octaves together, A-weighted.
    overall_main_level_db: float
    overall_leaky_level_db: float
    overall_isolation_db: float
    overall_isolation_std_db: float
    overall_gain_db: float
    overall_gain_std_db: float


@dataclass(frozen=True, kw_only=True)
class BleedPassages:
    """Times (start, end in s) where one mic's own source is alone."""

    main_alone_s: tuple[tuple[float, float], ...]
    leaky_alone_s: tuple[tuple[float, float], ...]
    #: Noise power per octave in the main and the leaky mic, mean square; zero where no silence was found.
    noise_main: tuple[float, ...]
    noise_leaky: tuple[float, ...]
    #: Mean power per octave over the whole take in the main and the leaky mic.
    whole_main: tuple[float, ...]
    whole_leaky: tuple[float, ...]
    #: Mean cross power of the two per octave over the whole take.
    whole_cross: tuple[float, ...]


@dataclass(frozen=True, kw_only=True)
class Settled:
    """What a check of the two tracks says of them."""

    wiring: Polarity = "unclear"
    confidence: float | None = None
    #: Whether the two share a sound at all.
    related: bool = True
    #: Track it flips, and the shift it sets on the leaky mic against the main one.
    flip: str | None = None
    delay_ms: float = 0.0


@dataclass(frozen=True, kw_only=True)
class CrossCheck:
    """An octave in which passages alone and moving levels differ on what a flip does."""

    centre_hz: float
    #: Largest difference over the two sources.
    difference_db: float


@dataclass(frozen=True, kw_only=True)
class BleedFindings:
    """What `judge.analyse_bleed` found out; the options are empty when the sources cannot be parted."""

    main: str
    leaky: str
    goal: Goal
    passages: BleedPassages
    centre_hz: tuple[float, ...]
    settled: Settled
    #: ``found``, ``never_apart`` or ``too_short`` where the sources were parted by how their levels move,
    #: since one of them is never heard alone; empty where passages alone did.
    together: str = ""
    as_recorded: BleedOption | None = None
    flipped: BleedOption | None = None
    #: As a check sets the two, where that is neither of the above.
    as_checked: BleedOption | None = None
    #: The best flip and delay together, where it is none of the above.
    best: BleedOption | None = None
    #: Isolation inside each mic alone: its own source over the other's leak.
    isolation_in_main_db: tuple[float, ...] = ()
    isolation_in_leaky_db: tuple[float, ...] = ()
    #: Level of the main mic's own source in the main mic alone: what the sum is coloured against.
    main_alone_level_db: tuple[float, ...] = ()
    #: Octaves where the two sources are told apart and clear of the noise, and those that matter as well.
    reliable: tuple[bool, ...] = ()
    useful: tuple[bool, ...] = ()
    #: Octaves in which the two ways to part the sources differ; the uncertainties hold that already.
    cross_checks: tuple[CrossCheck, ...] = ()
    #: How late the leaky mic hears the main's source, and the main mic the leaky one's.
    main_leak_ms: float | None = None
    leaky_leak_ms: float | None = None
    polarity_code: PolarityCode = "together"
    #: Track to flip, and delay to set; None where none is.
    flip: str | None = None
    delay_ms: float | None = None

    @property
    def options(self) -> dict[str, BleedOption]:
        """All settings that were judged, by name."""
        named = {
            "as_recorded": self.as_recorded,
            "flipped": self.flipped,
            "as_checked": self.as_checked,
            "best": self.best,
        }
        return {name: option for name, option in named.items() if option is not None}

    @property
    def advised(self) -> BleedOption | None:
        """The setting that is advised."""
        invert, delay_ms = self.flip is not None, self.delay_ms or 0.0
        return next(
            (one for one in self.options.values() if (one.invert, one.delay_ms) == (invert, delay_ms)), None
        )


@dataclass(frozen=True, kw_only=True)
class Leak:
    """How far under a mic's own source another one's lies in it; None in octaves where that is not told."""

    mic: str
    #: The mic whose own source it is.
    source: str
    isolation_db: tuple[float | None, ...]
    isolation_std_db: tuple[float | None, ...]
    #: All octaves that are told, A-weighted.
    overall_isolation_db: float | None
    overall_isolation_std_db: float | None
    #: How much later than its own mic this one hears it.
    late_ms: float | None


@dataclass(frozen=True, kw_only=True)
class MicsSetting:
    """What flips and delays of several mics do to every source in the sum of all, against as recorded."""

    flips: tuple[str, ...]
    #: 0 or more; mics that are not named have none.
    delays_ms: dict[str, float]
    #: By the source's own mic, per octave.
    change_db: dict[str, tuple[float, ...]]
    change_std_db: dict[str, tuple[float, ...]]
    #: Of the main source's isolation, or its level: octaves in which all sources are told, A-weighted.
    overall_gain_db: float
    overall_gain_std_db: float


@dataclass(frozen=True, kw_only=True)
class SeveralFindings:
    """What `several.analyse_several` found out; the main mic is the first."""

    mics: tuple[str, ...]
    goal: Goal
    centre_hz: tuple[float, ...]
    reason: Literal["found", "too_short", "never_apart"]
    #: Tracks that a check flips, and those whose wiring against the main one it leaves open.
    wiring_flips: tuple[str, ...]
    wiring_open: tuple[str, ...]
    #: By source and octave: whether its level moves apart from all others', and flips are known to 1 dB.
    told: tuple[tuple[bool, ...], ...] = ()
    leaks: tuple[Leak, ...] = ()
    #: A flip of each mic alone, in their order.
    flipped: tuple[MicsSetting, ...] = ()
    advised: MicsSetting | None = None
