"""Numbers of the stereo-pair job that a caller may change."""

from dataclasses import dataclass

from polaritykit.base.hearing import AUDIBLE_DB


@dataclass(frozen=True, kw_only=True)
class StereoSettings:
    """How a stereo pair is judged ("common practice" where no source gives the number)."""

    #: Largest offset looked for, of either sign: 5 ms is 1.7 m, wider than any usual stereo pair.
    max_offset_ms: float = 5.0
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
    notable_loss_db: float = AUDIBLE_DB
    #: First arrivals speak where the spectra do not, if they are this sure.
    second_confidence: float = 0.95
