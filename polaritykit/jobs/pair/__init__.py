"""Job `pair`: whether two mics are wired alike, how late one hears, and what their mono sum loses.

Method
    Wiring, offset, the side to flip and pads are those of an analysis of the two tracks (`analysis`), so that
    `pair` and `check` never disagree; where that leaves the sign of a stereo pair open, its octaves are asked
    (`octave_sign`).  Mono-sum loss:

        10·log₁₀((A + B)/(A + B + 2·Re C))

    against the power sum, so that unrelated sides lose 0 dB, equal ones −3 dB (they gain), cancellation is
    positive (`measure`).
What the two are
    A stereo image, two mics on one source, two mics on a source each, or mid and side: by their names, else
    by what they share (`kind`).  Only an image is never delayed; mid and side are decoded first
    (`mid_side`).  In short moments of one source, coincident microphones stand at 0° or 180°: both signs in
    number mean mid-side or figure-of-eights at one point, where "inverted" has no meaning (`phase_tiles`).
Filters
    A Butterworth high-pass (6 to 24 dB an octave) is fitted to level and phase of what both share, third
    octave by third octave; a low-cut is named where it explains both (`low_cut`).

Limits
    Both sides wired backwards look like none.  One instrument before a stereo pair without left and right in
    its names is taken for two mics on one source.  A spaced pair with a source before each mic is told from
    two leaking mics by names only.
"""
