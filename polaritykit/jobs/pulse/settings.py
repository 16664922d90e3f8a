"""Numbers of the line check that a caller may change."""

from dataclasses import dataclass


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
