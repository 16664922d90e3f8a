"""When a change during the take is believed: every threshold with its reason."""

from dataclasses import dataclass


@dataclass(frozen=True, kw_only=True)
class ChangeSettings:
    """When two clocks, or a change during the take, are found and named."""

    #: A hit is compared with the others of its kind from this much before its reference time ...
    hit_before_ms: float = 15.0
    #: ... to this much after it: far tracks and a digital link's latency are inside.
    hit_after_ms: float = 45.0
    #: Band of that comparison: below, the drum's own swing hides the time; above, no two strokes are alike.
    hit_band_hz: tuple[float, float] = (200.0, 3000.0)
    #: The spectrum is flattened down to this far below its top, so that a ring does not turn into its
    #: own neighbour.
    flatten_db: float = -25.0
    #: Frequencies this far (as a share) below the home track's own level in a stroke count for less: no
    #: sound, no time.
    whiten_floor: float = 0.3
    #: Largest change of a track within the take that is looked for (four metres of air, or 60 ppm for 200 s).
    hit_reach_ms: float = 12.0
    #: A hit counts where it is this much like the track's mean hit ...
    least_alike: float = 0.6
    #: ... and a source counts on a track where this share of its hits does.
    least_share: float = 0.5
    #: Hits before and after a change, over all sources: fewer may be chance.
    least_hits: int = 4
    #: A switch was thrown where this share of the signs turns ...
    flip_share: float = 0.85
    #: ... while no more than this share would fit an unchanged track.
    unflipped_share: float = 0.8
    #: Lags are looked into where their mean size reaches this many times their noise from hit to hit (0.8 for
    #: a normal distribution without any change, 1.3 with a tenth of wild ones).
    restless: float = 1.4
    #: A step must leave no more than this share of the lags' size unexplained, a straight line no more
    #: than that.
    step_cost_share: float = 0.5
    line_cost_share: float = 0.6
    #: A line is preferred where it leaves less than this share of what a step leaves.
    line_against_step: float = 0.8
    #: Least step (5 cm of air: no player's own movement) and its size over its uncertainty.
    least_step_ms: float = 0.15
    step_sigmas: float = 6.0
    #: Of the sources heard before and after, this share (by hits) must show the step.
    moved_share: float = 0.6
    #: Hits of two kinds that take turns leave a run of one kind now and then: the probability of that, for
    #: any of the cuts.
    step_chance: float = 0.01
    #: A turned polarity and a step this near in time are one change.
    together_s: float = 3.0
    #: Clocks of one make differ by some ppm, tracks of one converter by none; below this, and below this way
    #: over the take, it may be the player's movement or the room's temperature.
    least_drift_ppm: float = 2.0
    least_travel_ms: float = 0.1
    drift_sigmas: float = 6.0
    #: Either half of the take drifts like the whole within this share of its rate.
    half_within: float = 0.5
    #: No clock of a working recorder is off by more (common practice: 100 ppm is a poor one).
    most_drift_ppm: float = 300.0
    #: Sustained sound: fewest frames that can be followed, and groups of neighbours they are put in.
    least_frames: int = 16
    groups: int = 8
    #: A pair is at rest where its weakest group shows at least this share of the groups' median peak.
    calm_share: float = 0.4
    #: ... and where no cut leaves one side with less than this share of the other's peak, nothing is
    #: looked for.
    even_share: float = 0.65
    #: The lag of a group is looked for this near to the pooled one.
    near_ms: float = 1.0
    #: Frames on either side of a step.
    least_side_frames: int = 6
    #: Both states' peaks stand this many chance levels high: pure noise reaches 5 (sqrt(2 ln M)), one key and
    #: tempo 10.
    least_strength: float = 12.0
    #: Two sources that take turns leave both peaks in both parts: a state must leave no more than this
    #: share ...
    absent_share: float = 0.3
    #: ... this near to its lag in the other part.
    absent_ms: float = 0.15
    #: A jump this small with a turned sign may be the neighbouring lobe.
    lobe_ms: float = 1.0
    #: Two states explain this much more (as a share) than one.
    step_gain: float = 0.25
    #: Frames lie on a line within this, and this share of them does.
    line_width_ms: float = 0.2
    line_share: float = 0.4
    #: Changes are looked for again with those found taken back, this often.
    most_rounds: int = 3
