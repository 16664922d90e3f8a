"""Numbers of predictions before a recording that a caller may change."""

from dataclasses import dataclass

from polaritykit.base.hearing import HEARING_HZ


@dataclass(frozen=True, kw_only=True)
class PlanSettings:
    """Predictions before the recording; uncertainties are one sigma (common practice unless said)."""

    #: A tape measure held by hand between two capsules.
    tape_std_m: float = 0.01
    #: An angle judged by eye.
    angle_std_deg: float = 2.0
    #: A level difference read from meters, and a mic's departure from its textbook pattern.
    level_std_db: float = 0.5
    pattern_std_db: float = 1.0
    #: Nothing can be predicted for a mic nearer than this to the source's middle.
    min_distance_m: float = 0.01
    #: Mic to mic over mic to source (common practice, "3:1").
    three_to_one: float = 3.0
    #: Input over source impedance: usual, and where a remark is due.
    input_impedance_ohm: float = 1500.0
    min_impedance_ratio: float = 5.0
    #: Reported notches and peaks end here.
    up_to_hz: float = HEARING_HZ[1]
    #: Sigmas that a measurement may depart from the plan, and that widen the possible offsets.
    coverage_sigmas: float = 2.0
    possible_sigmas: float = 4.0
    #: A level step this near 10 or 20 dB suggests a pad on one side.
    pad_window_db: float = 1.5
    #: A measured notch must fall this deep under its surroundings to count as seen.
    seen_notch_db: float = 3.0
