"""Job `bleed`: whether flipping or delaying a leaky mic helps the main one, where, and by how much.

Method
    While one source is alone, the level ratio of its own mic to the other stands at its extreme in every
    octave; such passages are found, or named by the user (`passages`).  There the spectra of both mics and
    the cross-spectrum between them give that source's level in the plain sum for any sign s and delay d:

        A + B + 2s·Re(C·e^(−j2πfd))

    The main mic's own source over the leaky mic's, both in that sum, is the isolation (`plain_sum`).  The
    whole is weighted by A (IEC 61672-1:2013, annex E).  Uncertainties are the spread over bootstrap draws of
    groups of frames (Efron, 1979).
    Where a source is never alone, the two are told apart by how their levels move (`spectra.two_sources`);
    where both are, the other way checks the first, and what they differ by goes into the uncertainty.
Decision
    How the two are wired and which of them is flipped is what a check of the two says; flip and delay of
    either mic are searched together among what that allows.  A setting is recommended only for a gain of at
    least 1 dB (common practice: just heard) and two uncertainties, or one where every octave gains; no
    octave is bought with the others (`advice`).

Limits
    Two sources, two mics.  Octaves in which both mics hear alike cannot tell the sources apart.  Players who
    move change the answer.
"""
