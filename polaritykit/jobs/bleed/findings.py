"""What the check of a leak finds."""

from dataclasses import dataclass


@dataclass(frozen=True, kw_only=True)
class BleedOption:
    """What one setting of the leaky mic makes of both sources in the plain sum (levels in dBFS)."""

    invert: bool
    #: Delay of the leaky mic; negative delays the main mic instead.
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
class BleedFindings:
    """What `judge.analyse_bleed` found out; the options are empty when the sources cannot be parted."""

    main: str
    leaky: str
    #: ``isolation`` or ``fullness``.
    goal: str
    passages: BleedPassages
    centre_hz: tuple[float, ...]
    #: ``found``, ``never_apart`` or ``too_short`` where the sources were parted by how their levels move,
    #: since one of them is never heard alone; empty where passages alone did.
    together: str = ""
    as_recorded: BleedOption | None = None
    flipped: BleedOption | None = None
    #: The recommended polarity with the recommended delay, or None.
    delayed: BleedOption | None = None
    #: Isolation inside each mic alone: its own source over the other's leak.
    isolation_in_main_db: tuple[float, ...] = ()
    isolation_in_leaky_db: tuple[float, ...] = ()
    #: Level of the main mic's own source in the main mic alone: what the sum is coloured against.
    main_alone_level_db: tuple[float, ...] = ()
    #: Octaves where the two sources are told apart and clear of the noise, and those that matter as well.
    reliable: tuple[bool, ...] = ()
    useful: tuple[bool, ...] = ()
    #: How late the leaky mic hears the main's source, and the main mic the leaky one's.
    main_leak_ms: float | None = None
    leaky_leak_ms: float | None = None
    recommended_invert: bool | None = None
    recommended_delay_ms: float | None = None
    reason: str = ""
    remarks: tuple[str, ...] = ()
