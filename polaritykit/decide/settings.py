"""When evidence becomes an answer and an answer a setting: every threshold with its reason."""

from dataclasses import dataclass


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
