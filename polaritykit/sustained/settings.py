"""How sustained sound is read: every threshold with its reason."""

from dataclasses import dataclass


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
    #: ... and in the test of the whole take.
    take_search_ms: float = 50.0
    #: A pair of which no source says this much, nor an offset, is open to that test (one in four wrong).
    open_log_odds: float = 1.0
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
    #: Besides a source's own frames all of the take refines the offset, where it agrees with them; windows
    #: in all pairs together are limited to this: time, not precision, is then what more would cost.
    most_take_windows: int = 60_000
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
