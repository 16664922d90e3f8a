"""Numbers of the bleed job that a caller may change."""

from dataclasses import dataclass

from polaritykit.base.hearing import AUDIBLE_DB


@dataclass(frozen=True, kw_only=True)
class BleedSettings:
    """How two sources that leak into each other's microphones are told apart and judged."""

    #: Goal: ``isolation`` of the main mic's own source over the leaky mic's, or ``fullness`` of the former.
    goal: str = "isolation"
    #: Frames in which the sources are looked for one at a time: a syllable or a note.
    frame_s: float = 0.085
    #: An octave has sound this far over its noise, and within this of its loudest frames.
    above_noise_db: float = 10.0
    active_range_db: float = 40.0
    #: Noise is the 5th percentile of the frames, if that lies this far under their 90th.
    noise_below_db: float = 30.0
    #: Octaves below are too few bins for a ratio of one frame.
    vote_from_hz: float = 100.0
    #: Level ratio of the two mics while one source is alone: this percentile of all frames, and its mirror.
    extreme_percentile: float = 95.0
    #: The two extremes must lie this far apart, or the octave cannot tell the sources.
    min_gap_db: float = 6.0
    #: A frame is alone when its ratio comes within this of the extreme (or a quarter of the gap) ...
    near_db: float = 3.0
    #: ... in this share of its octaves ...
    share: float = 0.75
    #: ... for this long at least, and this long in all.
    min_passage_s: float = 0.25
    min_total_s: float = 1.0
    #: Groups of frames for the bootstrap, their least length, and the draws: ±5 % of the uncertainty.
    groups: int = 40
    group_s: float = 0.7
    draws: int = 200
    #: An octave is useful within this of the source's strongest (A-weighted) and this far over the noise.
    useful_range_db: float = 20.0
    useful_over_noise_db: float = 6.0
    #: A gain counts from here and from this many of its uncertainties (common practice: 1 dB is just heard).
    min_gain_db: float = AUDIBLE_DB
    min_sigmas: float = 2.0
    #: The whole must gain this much, so that one octave is not bought with all others.
    min_overall_db: float = 0.2
    #: Longest delay tried either way; more than that is heard as a slap (common practice).
    max_delay_ms: float = 10.0
    #: A shorter delay that gives up no more than this is preferred.
    shorter_delay_db: float = 0.3
