"""Numbers of the spectral stage that a caller may change."""

from dataclasses import dataclass


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
