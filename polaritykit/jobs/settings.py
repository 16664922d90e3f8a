"""The smaller jobs and what the outputs keep: every threshold with its reason."""

from dataclasses import dataclass


@dataclass(frozen=True, kw_only=True)
class SpectralOffsetSettings:
    """How offset and sign are read from the phase of coherent frequencies."""

    #: Fewer frames tell chance from sound too badly: unrelated tracks reach a coherence of 1/n.
    min_frames: int = 8
    #: Frequencies that count: below, rooms and rumble; above, no two microphones agree.
    band_hz: tuple[float, float] = (30.0, 16_000.0)
    #: Offsets looked for: 5 ms is 1.7 m, wider than any usual stereo pair.
    max_offset_ms: float = 5.0
    #: A frequency counts when chance gives its coherence less often than this.
    chance: float = 0.01
    #: Coherence above this weighs no more: a line of hum must not outweigh the music.
    coherence_limit: float = 0.95
    #: Frequencies this far under the strongest are not looked at (dither, converter noise).
    range_db: float = 70.0
    #: Weight by level to this power of the power: half way between none and plain correlation, so that a
    #: quiet floor common to both tracks cannot pull the offset to 0.
    level_exponent: float = 0.25
    #: Octaves from here up have the same say in the sign; those below less, for filters turn them.
    equal_octaves_from_hz: float = 250.0
    #: The lag is looked for where the octaves' common curve reaches this share of its peak.
    near_peak: float = 0.8
    #: The peak stands this many standard deviations over what unrelated tracks would give.
    significance: float = 6.0


@dataclass(frozen=True, kw_only=True)
class StereoSettings:
    """How a stereo pair is judged ("common practice" where no source gives the number)."""

    offset: SpectralOffsetSettings = SpectralOffsetSettings()
    #: Frames of about this length: longer than the room's early sound, many in a short take.
    frame_s: float = 0.17
    #: Window of the correlation history: a correlation meter's usual inertia (common practice).
    window_s: float = 0.4
    #: Most windows kept, so that a long take stays a readable curve.
    max_windows: int = 1000
    #: Parts of the take compared with each other for the uncertainties.
    parts: int = 24
    #: The sign is open when the largest peak of the other sign reaches this share: an octave-wide sound
    #: gives 0.83 by itself (correlation of an ideal band, closed form).
    max_rival: float = 0.75
    #: An octave has a say when its aligned correlation exceeds this, and this many of its uncertainties ...
    min_correlation: float = 0.1
    min_sigmas: float = 3.0
    #: ... and it is not this far under the strongest octave.
    octave_range_db: float = 50.0
    #: Share of the say that must agree on one sign, from this many octaves.
    min_agreement: float = 0.6
    min_octaves: int = 2
    #: Without a common delay, the sign at the bottom counts from this correlation: above 0.2 it was right for
    #: all simulated pairs up to 1 m apart.
    min_bottom_correlation: float = 0.3
    #: A filter's phase is looked for up to here; a low-cut reaches no higher (common practice: 40 to 160 Hz).
    filter_below_hz: float = 250.0
    #: An octave has turned when its phase is farther than this from the verdict's ...
    turned_deg: float = 60.0
    #: ... and a filter must take this much level where it turns (2nd-order high-pass: 60° at −2 dB or more).
    filter_loss_db: float = 2.0
    #: Level loss at the bottom that is named, turned or not.
    low_cut_db: float = 6.0
    #: Octave level differences within this of each other are one step, not a tonal mismatch.
    flat_db: float = 3.0
    #: Departure of an octave that is named as a difference in tone (common practice).
    tone_db: float = 6.0
    #: A step within this of 10 or 20 dB suggests a pad on one side (common practice).
    pad_window_db: float = 1.5
    #: Offsets below this are "no delay" (2 cm): coincident mics.
    coincident_ms: float = 0.06
    #: Mixed signs: this share of the one-source moments lies at 0° or 180°, and this share at the rarer one.
    coincident_share: float = 0.75
    mixed_share: float = 0.15
    #: The mono sum's loss is worth a remark from here.
    notable_loss_db: float = 1.0
    #: First arrivals speak where the spectra do not, if they are this sure.
    second_confidence: float = 0.95


@dataclass(frozen=True, kw_only=True)
class PulseSettings:
    """When the line-check signal counts as found, and its polarity as told."""

    #: Height of the matched filter's peak over the RMS around it: noise alone reaches about 5.5 in a minute,
    #: the signal at 0 dB SNR about 60.
    match_least: float = 8.0
    #: The same at the other repeats, where only a few dozen lags are looked at.
    repeat_least: float = 4.5
    repeats_least: int = 4
    repeats_share_least: float = 0.7
    #: Clocks of playing and recording machine may differ by this much (a poor one: 100 ppm).
    drift_most_ppm: float = 200.0
    #: The direct sound is the earliest peak of at least this share of the strongest.
    first_arrival_share: float = 0.4
    #: An octave takes part when it came through this near to the strongest; those from 500 Hz, 1 and 2 kHz
    #: must.
    octave_below_most_db: float = 12.0
    #: No octave's phase may lie further from the sign read: half-way to the other sign less a margin.
    octave_angle_most_deg: float = 65.0
    #: Largest peak of the other sign, as a share.  A flat band of 4.3 octaves has 0.28; 350 microphones in
    #: simulated rooms reached 0.49, a high-pass that turns the sign in the band starts at 0.61.
    opposite_most: float = 0.57
    #: Share of right answers among those given, in simulated rooms and filters: none was wrong among some
    #: hundreds; what no simulation holds (a faulty loudspeaker, a near reflection) keeps it below 1.
    confidence_clear: float = 0.99
    confidence_fair: float = 0.95
    #: Two-tone: frames count while the tones hold this share of the energy.
    two_tone_share_least: float = 0.5
    #: A cable has no tail; -30 dB after 50 ms is a room.
    two_tone_tail_most: float = 0.03
    two_tone_angle_most_deg: float = 60.0
    #: A wire leaves the tones equal; the high-pass that turns them into an inversion lowers the lower one by
    #: 1.6 dB or more.
    two_tone_unequal_most_db: float = 1.0
    #: An all-pass can fake it still, and nothing in the recording tells.
    confidence_two_tone: float = 0.9


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
    min_gain_db: float = 1.0
    min_sigmas: float = 2.0
    #: The whole must gain this much, so that one octave is not bought with all others.
    min_overall_db: float = 0.2
    #: Longest delay tried either way; more than that is heard as a slap (common practice).
    max_delay_ms: float = 10.0
    #: A shorter delay that gives up no more than this is preferred.
    shorter_delay_db: float = 0.3


@dataclass(frozen=True, kw_only=True)
class AirSettings:
    """The usual room and what is not known about it; uncertainties are one sigma (common practice)."""

    #: Room assumed where nobody read a thermometer, and how far rooms depart from it.
    usual_temperature_c: float = 20.0
    unknown_temperature_std_c: float = 3.0
    usual_humidity_percent: float = 50.0
    unknown_humidity_std_percent: float = 20.0
    #: A household thermometer and hygrometer.
    temperature_std_c: float = 1.0
    humidity_std_percent: float = 10.0
    #: Cramer 1993 states "below 300 ppm" for the humid-air formula.
    formula_std: float = 300e-6


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
    up_to_hz: float = 20000.0
    #: Sigmas that a measurement may depart from the plan, and that widen the possible offsets.
    coverage_sigmas: float = 2.0
    possible_sigmas: float = 4.0
    #: A level step this near 10 or 20 dB suggests a pad on one side.
    pad_window_db: float = 1.5
    #: A measured notch must fall this deep under its surroundings to count as seen.
    seen_notch_db: float = 3.0


@dataclass(frozen=True, kw_only=True)
class ExcerptSettings:
    """Excerpts for the page (`excerpts`)."""

    #: Long enough to judge a sound, short enough to keep many.
    length_s: float = 1.2
    #: Heard before a hit, so that the ear is not startled; and the part of a hit its loudness is taken from.
    before_s: float = 0.15
    hit_s: float = 0.08
    #: Fades at both ends: an excerpt repeats without a click.
    fade_s: float = 0.01
    #: Windows of a take that are looked at for a loud one.
    windows: int = 60
    #: Most base64 characters of all excerpts together: with 5 MB of page it still fits into a mail.
    most_characters: float = 4e6
