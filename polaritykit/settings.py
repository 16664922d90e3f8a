"""Every threshold with its reason, as frozen settings passed as arguments; no module-level state."""

from dataclasses import dataclass, field


@dataclass(frozen=True, kw_only=True)
class LevelSettings:
    """Thresholds of the level and wiring faults.

    "Common practice" means that no standard gives the number.
    """

    #: Fault ``true_peak_over`` above this.  0 dBTP is where a converter must overload; delivery limits
    #: (-1 dBTP in EBU R 128) are for programmes, not for raw tracks.  0.05 dB is the meter's own ripple.
    true_peak_limit_dbtp: float = 0.05
    #: Advice starts when less headroom than this is left (common practice: peaks stay some dB under 0).
    headroom_wanted_db: float = 3.0
    #: Samples in a row at the ceiling that make a flat top (common practice: 2 or 3; three let a
    #: normalised low note, whose top code repeats, pass).
    clip_run_samples: int = 3
    #: A top is flat when its samples agree this well: 2e-4 is -74 dB, above a converter's noise.
    clip_flatness: float = 2e-4
    #: From this fraction of full scale one flat top is enough; below it they must repeat.
    clip_full_scale: float = 0.9995
    clip_runs_below_full_scale: int = 3
    #: No flat top is looked for below this: nobody turns a clipped track down by 40 dB.
    clip_lowest_dbfs: float = -40.0
    #: Fault ``dc_offset``: mean above 0.1 % of full scale (-60 dBFS, common practice) and above this many
    #: standard errors of the means of 1.3 s, so that a short take of a low note is not blamed.
    dc_offset_limit: float = 1e-3
    dc_standard_errors: float = 4.0
    #: Noise floor: this percentile of the levels of 40 ms (digital silence left out), so that pauses
    #: making up a twentieth of the take are enough.
    noise_floor_percentile: float = 5.0
    #: Silent when the peak stays under this (the 16th bit is -90 dBFS) ...
    silent_peak_dbfs: float = -80.0
    #: ... or when the RMS is under the first and 90 % of the levels of 40 ms lie within the second: an open
    #: input hears at least the room change.
    silent_rms_dbfs: float = -60.0
    silent_range_db: float = 1.5
    #: A copy's correlation is within this of ±1 (-60 dB left over); two microphones never come near.
    duplicate_margin: float = 1e-6
    #: A hum line stands this far above both sides of its spectrum (2 s windows) ...
    hum_prominence_db: float = 10.0
    #: ... in this share of the quieter half of the windows, at one level within the spread below.
    hum_presence: float = 0.8
    hum_spread_db: float = 4.0
    #: Fewest windows of 2 s (at 1 s steps) for a verdict on hum.
    hum_windows: int = 4
    #: Fault ``hum`` when its lines together come within this of the track's own RMS.
    hum_below_rms_db: float = 40.0


@dataclass(frozen=True, kw_only=True)
class EventSettings:
    """How onsets are found, merged into events and clustered into sources.

    Numbers without another reason were chosen on the benchmark's development split (see DEVELOPERS.md, "What
    the estimator rests on").
    """

    #: Frame of the onset envelope: short against a drum's attack, long against 1/500 Hz.
    frame_ms: float = 1.0
    #: The sound "just before" an onset: this far back ...
    before_ms: float = 25.0
    #: ... until here, so that a slow attack does not hide itself.
    gap_ms: float = 3.0
    #: An onset rises at least this far over the sound just before.
    min_rise_db: float = 12.0
    #: A strong onset is within this range of the track's own loudest onsets.
    strong_range_db: float = 12.0
    #: Onsets of different tracks within this time are one event (5 m of path).
    merge_ms: float = 15.0
    #: Events are dropped when another begins within this time: two sources would be mixed.
    clear_ms: float = 20.0
    #: A drum's energy lies within this time of its onset.
    ring_ms: float = 100.0
    #: Bands in which the level of an event is compared between tracks.
    feature_bands_hz: tuple[tuple[float, float], ...] = ((60.0, 250.0), (250.0, 2000.0))
    #: Further band in which hits mixed with other sources (cymbals above all) show.
    clean_band_hz: tuple[float, float] = (2000.0, 10000.0)
    #: A hit counts as clean up to this much more mean disturbance (dB over tracks and bands, by other sources
    #: at the same moment and by what rings from before) than the cleanest fifth ...
    clean_excess_db: float = 1.5
    #: ... twice as much where that leaves fewer than so many (more hardly helped, fewer scattered) ...
    wanted_clean_hits: int = 16
    #: ... and so many hits are kept in any case.
    min_clean_hits: int = 10
    #: Levels further below the event's loudest track count as this far below.
    feature_range_db: float = 24.0
    #: Average-linkage distance (rms dB over tracks and bands) at which clusters are cut.
    cluster_distance_db: float = 5.0
    #: Fewest events that make a source: the spread over hits needs some.
    min_events: int = 6
    #: Events looked at per track that hears them loudest, spread over the take: bounds the work.
    max_events_per_track: int = 60
    #: Hits used of one source, spread over the take; more did not help (16 to 24 are enough).
    max_hits: int = 24


@dataclass(frozen=True, kw_only=True)
class AudioSettings:
    """What makes a file too short to be a track of a session."""

    #: Shorter than this holds no event with its surroundings (see `EventSettings`).
    min_track_s: float = 0.1
    #: A file this much shorter than the typical one is a stray (a slate, a click): the common span
    #: would throw away nearly the whole session for it.
    min_share_of_median: float = 0.1


@dataclass(frozen=True, kw_only=True)
class SummingSettings:
    """How summed responses are smoothed and bounded."""

    #: The range of hearing.
    lowest_hz: float = 20.0
    highest_hz: float = 20000.0
    #: Width of the smoothing: a twenty-fourth of an octave still shows the notches of 3 ms at 8 kHz.
    bands_per_octave: int = 24
    #: Points of the curve: twice the width, so that no notch falls between two points.
    points_per_octave: int = 48
    #: Nothing is shown deeper: -20 dB of the power sum asks for 13 % agreement in level and 8 degrees in
    #: phase (closed form), about as close as two microphones come.
    floor_db: float = -20.0
    #: Share of a source's energy that makes "the source's band".
    energy_share: float = 0.8


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
class ArrivalSettings:
    """How the first arrival of a source is picked on each track."""

    #: Sound above this is left out: it is alike in no two hits, and converters ring there before the sound.
    top_hz: float = 6000.0
    #: Order of the predictor that whitens; 12 to 40 do alike.
    order: int = 24
    #: The predictor is fitted to this much sound ...
    noise_ms: float = 25.0
    #: ... that ends this long before the earliest possible arrival.
    noise_gap_ms: float = 1.2
    #: Tracks may hear the source this much before its home track (electronic delay of the home track).
    earliest_ms: float = 15.0
    #: Tracks may hear it this much later: 20 m of path, or a digital link and less path.
    latest_ms: float = 60.0
    #: The home track's own pick is looked for from this long before its onset frame.
    home_search_ms: float = 3.0
    #: Its window ends this much later than that of averaged votes: single hits begin up to an onset frame
    #: apart.
    home_later_ms: float = 1.0
    #: Smoothing of the envelope that ends the picking window.
    envelope_ms: float = 0.3
    #: The window ends where the log envelope has climbed this share from noise to top ...
    climb: float = 0.75
    #: ... plus this.
    after_climb_ms: float = 0.5
    #: Whitening does not chase what lies this far below the hit itself: without it the top octaves of a
    #: quiet recording, which no two hits share, would decide, and a near mic would be picked at a precursor
    #: that lies under the noise of a far one.
    floor_db: float = -20.0
    #: Averaged votes below this are taken for chance on every track alike: a quiet near mic would else be
    #: picked at a faint forerunner that the noise of a far one hides.
    votes_floor: float = 0.05
    #: Picks from resampled sets of hits, for the spread.
    bootstraps: int = 16
    #: Resampled picks within this of the pick agree with it.
    agree_ms: float = 0.25
    #: Picks are lined up between tracks by what their votes have in common from this long before ...
    line_up_before_ms: float = 0.2
    #: ... to this long after them: the first motion, and little that a reflection or the drum's own size
    #: could have changed.
    line_up_after_ms: float = 0.3
    #: No pick is moved further by any one other track ...
    line_up_search_ms: float = 0.1
    #: ... which must be this much like it.
    line_up_alike: float = 0.6
    #: Weight of staying where it was picked, against the best match of two tracks.
    line_up_ridge: float = 0.3


@dataclass(frozen=True, kw_only=True)
class EvidenceSettings:
    """How the sign of a pair is read at its arrivals, and when a vote counts."""

    #: Gate of the sign: this much before the first arrival ...
    sign_before_ms: float = 0.3
    #: ... to this much after it: the direct sound, before most reflections.
    sign_after_ms: float = 2.5
    #: Search around the arrival difference: the pick's own error.
    sign_search_ms: float = 0.4
    #: Band of the sign: above it near and far mics disagree, below it the gate holds no period.
    sign_band_hz: tuple[float, float] = (100.0, 3000.0)
    #: Gate of the second opinion, on the averaged votes.
    votes_before_ms: float = 0.2
    votes_after_ms: float = 1.2
    votes_search_ms: float = 0.15
    #: Log-odds of an edge: ``slope`` times (``weights`` · readings - ``middle``).  Fitted once by logistic
    #: regression on hits of a real kit and rounded; the answer hardly depends on them (slope 3 to 4, middle
    #: 1.3 to 2.2 decide the same pairs), since a margin counts agreement of edges, not their exact worth.
    slope: float = 4.0
    middle: float = 1.67
    weight_correlation: float = 2.4
    weight_votes: float = 1.0
    weight_coherence: float = 0.5
    weight_stability: float = 0.3
    #: Taken off where fewer than eight hits speak.
    few_hits: int = 8
    few_hits_penalty: float = 0.6
    #: One edge has no more than this to say; below the log-odds of a witness, so that one edge is never all.
    edge_cap: float = 2.4
    #: A source this far below the loudest one of a track (dB) says all it knows of that track ...
    share_full_db: float = -22.0
    #: ... and one this far below nothing: the louder sources' sound covers its first motion.
    share_none_db: float = -38.0
    #: The lowest drum of several sources, where its low band (60 to 250 Hz) dominates by this much, has only
    #: this part of its say: not enough to decide a pair alone.  Sources this near to it count as low too
    #: (the figure of one drum scatters by some dB from cluster to cluster).
    low_drum_db: float = 6.0
    low_drum_worth: float = 0.6
    as_low_db: float = 6.0
    #: Below this the first motion lies under the noise and a later one is picked: nothing to say ...
    snr_none_db: float = 2.0
    #: ... from here on in full.
    snr_full_db: float = 6.0
    #: Both readings must have the same sign, the second by at least this.
    min_votes: float = 0.1
    #: Averaged votes this small are what chance gives with some forty hits.
    min_coherence: float = 0.15
    #: Arrivals count as known with this stability.
    min_stability: float = 0.5


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
class ContinuousSettings:
    """How sustained sound is read."""

    #: Frame: long against the largest offset, short against a phrase.
    frame_ms: float = 180.0
    #: A short take is cut into so many frames at least.
    fewest_frames: int = 8
    #: A track is active in frames within this range of its loud frames.
    active_range_db: float = 30.0
    #: This share of the active frames, those most its own, speaks for a track's source ...
    dominant_share: float = 1 / 3
    #: ... but so many at least, and no more than that: time, not precision, is then what they cost.
    min_frames: int = 12
    max_frames: int = 64
    #: Band looked at; inside it, bins must stand above this range below the strongest.
    band_hz: tuple[float, float] = (100.0, 8000.0)
    bin_range_db: float = 60.0
    #: A bin counts by what its coherence of phase has over this many times chance.
    excess_over_chance: float = 1.0
    #: Fewest bins that can carry a delay.
    fewest_bins: int = 12
    #: Largest offset looked for: a room's length, or a slow digital link.
    search_ms: float = 40.0
    #: Peaks below this many times the chance level of a curve of independent bins say nothing.  Of
    #: M = 2·40 ms·2·8 kHz lags the largest of pure noise exceeds sqrt(2 ln(M/0.001)) = 5.3 in one pair of a
    #: thousand; weights taken from the same frames raise that by sqrt(3) (closed form), the Hann window's
    #: neighbours by sqrt(35/18) (closed form): 12.8.  Unrelated takes in one key and tempo reached 10.
    min_significance: float = 13.0
    #: ... and so below twice the least the phase of coherent bins must confirm the peak.
    sure_without_phase: float = 26.0
    #: What is left of it without the bins that the mains could fill must reach that too; hum is named where
    #: less than this share is left (a third of all bins lie about the harmonics, and sound loses a fifth).
    mains_share: float = 0.6
    #: Peak over the root-mean-square of the rest of the curve: the largest of some thousand lags of noise
    #: reaches 4.2 (sqrt(2 ln M)).
    min_peak_over_rest: float = 5.0
    #: Opposite lobe over peak: a band of one octave gives .83 (sinc of the bandwidth), where the polarities
    #: look alike.
    max_rival: float = 0.8
    #: A band is called narrow from an opposite lobe of its own on that two octaves do not reach (.56).
    narrow_rival: float = 0.6
    #: Log-odds per unit of rival below that.
    rival_slope: float = 8.0
    #: Parts of the spectrum that must agree in sign, by weight.
    min_unison: float = 0.75
    #: The straight line through the phase may move the peak by this part of the period at the evidence's
    #: root-mean-square frequency.
    refine_within_period: float = 0.125
    #: Where the opposite lobe is that high, or the evidence faint (under twice the least), the right lobe is
    #: looked for again this far about the peak: two periods of an octave about 1.4 kHz.
    lobes_ms: float = 1.5
    #: Besides a source's own frames the whole take refines the offset, where it agrees with them; the take's
    #: samples times the tracks squared are limited to this (half a minute for three tracks): time, not
    #: precision, is then what more would cost.
    most_refined_samples: float = 1.6e7
    #: A common sound without any delay (samples) that explains no more than this of a track is electrical:
    #: air takes time, and what is at one place is loud.
    crosstalk_within_samples: float = 0.15
    crosstalk_below_db: float = -20.0
    #: Two standard deviations of the offset are granted on top, up to this (samples): what is faint is not
    #: measured better.
    crosstalk_doubt_samples: float = 0.6
    #: Share of a track's energy just after its own sudden onsets above which it is percussive: phase
    #: correlation of near and far mics on struck heads is wrong too often, and only hits are used.
    percussive_share: float = 0.4
    #: Strokes are compared from this much before their reference time to this much after it, up to this lag.
    stroke_before_ms: float = 2.0
    stroke_after_ms: float = 30.0
    stroke_reach_ms: float = 2.0
    #: Strokes less alike than this do not repeat, and frames are used besides hits: drums of two kits and of
    #: simulated rooms have 0.66 or more, shaken noise and hi-hats 0.2 or less (1/sqrt(2·B·T) by chance).
    strokes_alike: float = 0.4
    #: A source counts for a track where it is heard within this of the track's loudest one (dB).
    stroke_range_db: float = 22.0


@dataclass(frozen=True, kw_only=True)
class AgreementSettings:
    """How the sources' evidence becomes one decision, and what it is worth."""

    #: Price of taking one source's pick on one track for wrong: about one in twelve is (log 12 = 2.5).
    pick_price: float = 2.5
    #: One source's whole objection is limited to twice that: two tracks on its other side are as likely as
    #: five.
    witness_cap: float = 5.0
    #: An edge of this weight lets its tracks be trusted in full; fainter ones in proportion.
    full_edge: float = 2.4
    #: A pair is decided from this margin on; a single edge cannot reach the confidence of two.
    decide_margin: float = 1.6
    #: A source whose own margin is this strong against the session's sign is named as dissenting.
    dissent_margin: float = 1.5


@dataclass(frozen=True, kw_only=True)
class PairSettings:
    """When a source may speak for a pair."""

    #: A source says something of a pair from these log-odds on (one in four wrong at this level).
    speaks_log_odds: float = 1.0
    #: Its offset speaks for the pair when the picks from resampled hits stay within this ...
    sharp_std_ms: float = 0.15
    #: ... and even with little to say of the sign (a cymbal) when they stay within that: on development
    #: sequences of a kit and of simulated rooms all of 59 such offsets lay within 0.3 ms of the truth.
    very_sharp_std_ms: float = 0.05
    very_sharp_log_odds: float = 0.3
    #: It does not speak where another source brings this much more to the pair's cross-spectrum: a tenth of
    #: the common sound does not tell how the rest adds.
    covered_db: float = 10.0


@dataclass(frozen=True, kw_only=True)
class AdviceSettings:
    """When a change is worth advising."""

    #: Least predicted gain of the sum in the source's band, dB: less is not heard on programme material
    #: (common practice, no source).
    least_gain_db: float = 1.0
    #: Offsets below this are left: a tenth of the period at 1 kHz.
    least_delay_ms: float = 0.1
    #: A mic whose own source lies this far away in time keeps its lateness: it is there for the room (about
    #: 3 m).
    far_ms: float = 8.7
    #: A close mic's own arrival sets its delay when it is known this well.
    most_std_ms: float = 0.3
    #: Sources of one pair whose offsets differ by more than this cannot share one delay.
    same_offset_ms: float = 0.3


@dataclass(frozen=True, kw_only=True)
class AlignmentSettings:
    """When a close mic's delay serves the sum (`alignment`)."""

    #: A first arrival this near to the anchor's is together with it: nothing to look for.
    together_ms: float = 0.1
    #: Where the first arrival does not serve, the fullest sum is looked for this far from it: half a period
    #: at 330 Hz, so that no neighbouring lobe is taken in the main octaves of drums.
    search_ms: float = 1.5
    step_ms: float = 0.05
    #: A mic whose own source was not found by itself is set by the sum in its own octave, if that is no
    #: higher than this: a close mic is 1 to 4 ms early, less than a period there.
    search_below_hz: float = 300.0
    #: ... up to this share of the octave's period, and no further than an overhead hangs (some 2 m).
    lobe_periods: float = 0.95
    most_early_ms: float = 6.0
    #: Least gain of the mic's own source in the whole sum; both halves of its hits must show one ...
    least_gain_db: float = 0.1
    #: ... and where no first arrival says so too.
    least_gain_alone_db: float = 1.0
    #: No other source or track may lose more in its main octave: half of what is heard, for the parts are
    #: known as they are mixed; on development kits 1 dB let sources lose up to 5 dB, 0.5 dB up to 1.8 ...
    most_loss_db: float = 0.5
    #: ... if that is no higher than this: above, an octave holds so many notches of any delay that its
    #: level is that of the power sum, whatever is set.
    harm_below_hz: float = 1000.0
    #: A flip that costs its own octave this much for want of a delay is said to (heard: common practice).
    flip_warns_db: float = 1.0
    #: Settings depend on one another; they are gone through this often at most.
    rounds: int = 4


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


@dataclass(frozen=True, kw_only=True)
class LimitSettings:
    """How a mic plan limits what is believed."""

    #: Offsets may be this much larger than the way through the air: converters of different make differ by
    #: the delay of their filters, some 10 to 40 samples at 48 kHz (common practice).
    latency_ms: float = 1.0


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


@dataclass(frozen=True, kw_only=True)
class KitSumSettings:
    """The sum of all tracks."""

    #: Octaves further below the loudest one are not shown: nobody hears them in the sum.
    range_db: float = 40.0
    #: Levels are not shown below this.
    floor_db: float = -20.0
    #: Two arrivals of one source this close are together: half a period at 2 kHz, above which combs of
    #: bleed lie too close to be heard one by one.
    together_ms: float = 0.25
    #: A track hears a source well when its loudest source is no more than this above.
    well_heard_db: float = 12.0
    #: Track-samples up to which the corrected sum is really made to find its peak (24 tracks of 5 minutes);
    #: longer sessions get the bound, so that the files are not read twice.
    most_summed: float = 3.5e8


@dataclass(frozen=True, kw_only=True)
class Settings:
    """All settings of an analysis."""

    levels: LevelSettings = field(default_factory=LevelSettings)
    events: EventSettings = field(default_factory=EventSettings)
    arrival: ArrivalSettings = field(default_factory=ArrivalSettings)
    evidence: EvidenceSettings = field(default_factory=EvidenceSettings)
    continuous: ContinuousSettings = field(default_factory=ContinuousSettings)
    agreement: AgreementSettings = field(default_factory=AgreementSettings)
    pairs: PairSettings = field(default_factory=PairSettings)
    advice: AdviceSettings = field(default_factory=AdviceSettings)
    alignment: AlignmentSettings = field(default_factory=AlignmentSettings)
    limits: LimitSettings = field(default_factory=LimitSettings)
    changes: ChangeSettings = field(default_factory=ChangeSettings)
    kit_sum: KitSumSettings = field(default_factory=KitSumSettings)
    #: Frame of the pooled spectra, samples at up to 48 kHz (twice that at twice the rate).
    fft_size: int = 8192
