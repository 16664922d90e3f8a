"""Sustained sound: frames to phase curves, delays below the sample and signs.

Voice, strings, amplifiers, a line beside its microphone: there is no first arrival to pick, but the phase
between two tracks repeats from frame to frame.

1. `activity`: of each track, the frames of some 180 ms in which it is loudest against the others speak for
   its own source.  They are read once for all its pairs (`home_frames`, `frames`).  For every other track
   (`phase_curve`) the unit phasors of the cross-spectrum are averaged over them (phase transform: Knapp and
   Carter, 1976): bins of one phase keep it, all others average away as 1/√n.  The transform of what is left
   peaks at the offset, with the pair's sign:

       R(τ) = Σ w(f)·Re(Φ(f)·e^(j2πfτ)) / Σ w(f),   Φ = mean of C/|C|

   A peak counts from 13 times what bins of random phase give: √(2·ln(M/0.001)) for M lags, raised for weights
   taken from the same frames and for the window's neighbouring bins (closed forms in `phase_curve`).
2. `joint_delay`: with one track cut later by the whole samples, the phase is a straight line; its slope by
   weights γ²/(|C|·(1−γ²)) over all of the audio is the maximum-likelihood delay (Hannan and Thomson, 1973),
   which reaches the Cramér-Rao bound for a pure delay in noise.  Each bin takes its coherence over as few
   neighbours as tell it from chance (Carter, Knapp and Nuttall, 1973).  The spread is what noise promises
   and, on top, what stretches of the take and octaves differ by, the delay that a difference in level over
   frequency would make as a minimum-phase filter, and the risk of having taken a neighbouring lobe.
3. `mains`: what is left of the peak without the bins that the harmonics of 50 or 60 Hz can fill, themselves
   or through the window (Harris, 1978).  Hum is common through the wiring and tells nothing of sound.
4. `whole_take`: a pair of which neither hits nor frames tell anything is correlated over frames spread over
   the take, under several weightings.  Its peak must stand above chance, above what the same two tracks show
   at moments that are not simultaneous (songs in one key), and evenly in all parts of the take.  A sign that
   is not sure is asked of the plain phase transform, in which every note has the same say.

The sign is as sure as the peak's lead over the highest lobe of the other sign (a band of one octave has one
of 0.83 of the peak), and as the parts of the spectrum that agree on it.

Limits
    One octave of sound has nearly equal lobes of both signs: its offset may be known and its polarity not.
    Two takes in one key and tempo share notes; below twice the least peak the phase must confirm it.  A
    common sound without any delay that explains little of a track is taken for crosstalk, not for air.
    Offsets beyond 50 ms are not looked for.
"""
