"""Job `comb`: notches, peaks and ripple of a sound summed with its later copy, before anything is recorded.

`inputs` turns what a user knows into a delay and a level difference: a path difference over the speed of
sound, a delay as such, two distances (inverse-distance law, 20·log₁₀(far/near)), or a spacing and an angle
(path difference d·sin θ for a source far away, the law of cosines for a near one).  The prediction is the
closed form of `spectra.comb`; uncertainties of tape, angle and air are one sigma and carried to first order.

Limits
    Two arrivals alone: reflections and other sources fill notches.  Without a level difference both are taken
    to be equally loud, the worst case, and the answer says so.
"""
