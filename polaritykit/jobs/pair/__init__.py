"""Job `pair`: whether the two microphones of a stereo pair agree, and what their mono sum loses.

Method
    Delay and sign from the phase of the coherent frequencies (`spectra.coherent_offset`).  With b advanced by
    that delay, the sign of the real part of the cross-spectrum is read octave by octave: an inverted side is
    inverted in every octave, a low-cut or another capsule turns the phase at the bottom only.  Octaves have a
    say when their correlation exceeds its uncertainty (the scatter over parts of the take).  Mono-sum loss:

        10·log₁₀((A + B)/(A + B + 2·Re C))

    against the power sum, so that unrelated sides lose 0 dB, equal ones −3 dB (they gain), cancellation is
    positive (`measure`, `verdict`).
Second opinion
    Where the spectra point to no single delay (drum overheads: each drum has its own), the sign is read at
    the bottom, where spacing hardly turns the phase; offset, and a sign still open, are then asked of the
    first arrivals of the sources, and taken where those are sure (`judge`).
Material
    In short moments of one source, coincident microphones stand at 0° or 180°: both signs in number mean
    mid-side or figure-of-eights at one point, where "inverted" has no meaning (`phase_tiles`).

Limits
    Both sides wired backwards look like none.  A band of an octave alone leaves the sign open: its next
    opposite peak has 0.83 of the right one (correlation of an ideal band, closed form).  Delays beyond
    ``--max-offset-ms`` are not found.
"""
