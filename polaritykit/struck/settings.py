"""How struck sound is found and read: every threshold with its reason."""

from dataclasses import dataclass


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
    #: ... and over all tracks: beyond eleven busy tracks each has fewer.
    max_events: int = 660
    #: Hits used of one source, spread over the take; more did not help (16 to 24 are enough).
    max_hits: int = 24


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
    #: Strokes are laid on each other on their home track by what their drum repeats (head and shell, no
    #: cymbal): this band ...
    stroke_band_hz: tuple[float, float] = (100.0, 3000.0)
    #: ... from this long before the pick ...
    stroke_before_ms: float = 2.0
    #: ... to this long after it.
    stroke_after_ms: float = 12.0
    #: Hands and feet of one beat fall this far apart (common practice: some 5 ms).
    stroke_reach_ms: float = 4.0
    #: Strokes that lie this far from their picks (median) are not what is heard first: another source sounds
    #: along.  Beyond what a pick of one stroke scatters by.
    stroke_apart_ms: float = 0.5
    #: Mean and shifts settle within so many rounds.
    stroke_rounds: int = 4
    #: A stroke less like the mean than this keeps its own pick.
    stroke_alike: float = 0.5


@dataclass(frozen=True, kw_only=True)
class DirectSettings:
    """How the correlation of the direct sound is read where no first arrival is clear.

    Chosen on development sessions: simulated and real kits under far mics.
    """

    #: From the drum's fundamental to where near and far mics disagree; the first without what a cymbal
    #: struck along brings.
    bands_hz: tuple[tuple[float, float], ...] = ((100.0, 1500.0), (150.0, 3000.0))
    #: Around the stroke on its home track: tracks may be early (electronic delay of the home track) or some
    #: metres late; the second with more of the drum's ringing.
    gates_ms: tuple[tuple[float, float], ...] = ((-8.0, 18.0), (-8.0, 42.0))
    #: Power of the magnitude that is divided out; with 1 (phase transform) noise counts as much as sound.
    flatness: float = 0.9
    reach_ms: float = 25.0
    oversampling: int = 4
    #: A rival lies at least this far from the peak.
    apart_ms: float = 0.4
    #: Weight of a pair whose curve has an equal rival, against one without any.
    least_weight: float = 0.1
    #: Readings this near to each other agree: half a period at 1.7 kHz, under a lobe of any drum.
    agree_ms: float = 0.3
    #: Where all readings but one of seven agree they are believed against a first arrival that does not ...
    surely_agreed: float = 0.85
    #: ... and whose first millisecond has no more than a hundredth of the energy of theirs: filters ring
    #: 40 to 56 dB below the sound before it, a direct sound under its reflections is not so faint.
    forerunner_db: float = -20.0


@dataclass(frozen=True, kw_only=True)
class SignSettings:
    """Gates and band in which the sign of a pair is read at its arrivals."""

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


@dataclass(frozen=True, kw_only=True)
class StrokeSettings:
    """Whether the strokes of a source repeat their waveform."""

    #: Strokes are compared from this much before their reference time to this much after it, up to this lag.
    stroke_before_ms: float = 2.0
    stroke_after_ms: float = 30.0
    stroke_reach_ms: float = 2.0
    #: Strokes less alike than this do not repeat, and frames are used besides hits: drums of two kits and of
    #: simulated rooms have 0.66 or more, shaken noise and hi-hats 0.2 or less (1/sqrt(2·B·T) by chance).
    strokes_alike: float = 0.4
    #: A source counts for a track where it is heard within this of the track's loudest one (dB).
    stroke_range_db: float = 22.0
