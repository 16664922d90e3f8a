"""Evidence of all sources to one sign and one offset per pair, and one setting per track.

Signs and offsets
-----------------
`agreement`
    All sources of one home are a witness.  Signs are one assignment s ∈ {±1} per track, the one to which the
    witnesses object least; an objection is what it costs to explain a witness's edges under s, with a price
    for each pick taken as wrong and a cap per witness, however many pairs repeat its error.  A pair's margin
    is how much worse the best assignment is in which that pair is reversed.
`pair_evidence`, `timing`, `conclusion`, `causes`, `pair_finding`
    Confidence 1 − ½·e^(−|margin|), held against simulated and real sessions by the accuracy benchmark.  The
    offset is that of the pair's loudest source that is timed well.  Below the least margin the polarity is
    "unclear", with its cause in a code.

Settings: for every track a sign, a shift in time and a status
--------------------------------------------------------------
1. *Units* (`units`): what moves together, and what is kept or cannot be judged, each with its reason.
2. *A frame that does not know how the session was recorded* (`frame`): measured signs and arrivals are taken
   out, so that a flip or delay added to a track changes nothing in what follows but the numbers to set.
3. *Sums per source* (`source_sums`): levels of the sum per octave from spectra gated to one source's sound.
4. *One choice of shift* (`choice`): first arrivals coincide, or a fuller sum within 1.5 ms that costs no
   source anything.  Signs that evidence settled are never weighed against shifts.
5. *Take it or leave it* (`taking`): the only step that sees how the session was recorded.
6. *Told as codes and numbers* (`setting`, `findings`); jobs make words of them.

`triggered` finds samples that a drum triggers, of which no wiring is told, only their sum;
`find_sums` finds buses printed along, of which nothing is judged;
`flips` says which side of a group to turn, `copies` which tracks are one recording, `stage` runs all steps,
`worth` what is worth setting at all, `costs` and `certainty` what settings cost and how well that is known,
`served` in which tracks each source arrives together with the anchor once all is set.

Conventions: a shift is in seconds, positive later, negative earlier; lateness is what a track hears later
than the anchor, so that a shift of minus the lateness makes them coincide.

Limits
    Polarity is relative: both signs of a whole group fit alike (`jobs.pulse` finds the absolute one).  Tracks
    that share no sound are never compared.  One delay per track cannot bring several sources together in it;
    the two sides of a stereo pair are never moved against each other.
"""
