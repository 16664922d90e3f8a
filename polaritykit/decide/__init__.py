"""Evidence of all sources to one sign, one offset and one setting.

`agreement`
    All sources of one home are a witness.  Signs are one assignment s ∈ {±1} per track, the one to which the
    witnesses object least; an objection is what it costs to explain a witness's edges under s, with a price
    for each pick taken as wrong and a cap per witness, however many pairs repeat its error.  A pair's margin
    is how much worse the best assignment is in which that pair is reversed.
`conclusion`, `pair_finding`
    Confidence 1 − ½·e^(−|margin|), held against simulated and real sessions by the accuracy benchmark.  The
    offset is that of the pair's loudest source that is timed well.  Below the least margin the polarity is
    "unclear", with the reason.  Then the sum, its notches, the advice on the pair by itself, and its changes.
`advice`
    What was measured, what would be gained, what to do: nothing is advised whose predicted gain is not heard
    (1 dB, common practice).
`lateness`, `delay`, `corrections`
    Each close mic's lateness is its own source's first arrival against the anchor; the delay is kept where
    the sum of all tracks gains by it, moved to the fullest sum nearby, or left out where the source does not
    gain or another would lose.  Of the two global signs the one with fewer flips is taken.
`served`
    In which tracks each source arrives together with the anchor once all is set.

Limits
    Polarity is relative: both signs of a whole group fit alike (`jobs.pulse` finds the absolute one).  Tracks
    that share no sound are never compared.  One delay per track cannot bring several sources together in it;
    the two sides of a stereo pair are never moved against each other.
"""
