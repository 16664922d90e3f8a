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
    #: The correlation of the direct sound gives an offset where this share of its readings agree: all but two
    #: of seven ...
    direct_agreed: float = 0.7
    #: ... and is preferred to the first arrival of another source where its own brings this much more (half
    #: the power does not lead) and all but one agree.
    leads_db: float = 3.0
    direct_surely_agreed: float = 0.85
    #: A first arrival that the direct sound's readings leave open is uncertain by this much (half a period at
    #: 1.7 kHz, as near as readings have to come to agree).
    open_std_ms: float = 0.3


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
