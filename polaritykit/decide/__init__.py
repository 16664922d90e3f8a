"""From evidence to settings: for every track a sign, a shift in time and a status.

The method, and the module of each step:

1. *Units* (`units`): what moves together, and what is kept or cannot be judged, each with its reason.
2. *A frame that does not know how the session was recorded* (`frame`): measured signs and arrivals are taken
   out, so that a flip or delay added to a track changes nothing in what follows but the numbers to set.
3. *Sums per source* (`source_sums`): levels of the sum per octave from spectra gated to one source's sound.
4. *One choice of shift* (`choice`): first arrivals coincide, or a fuller sum within 1.5 ms that costs no
   source anything.  Signs that evidence settled are never weighed against shifts.
5. *Take it or leave it* (`taking`): the only step that sees how the session was recorded.
6. *Told as codes and numbers* (`setting`); words are made of them in one place (`words`).

`flips` says which side of a group to turn, `copies` which tracks are one recording, `stage` runs all steps.

Conventions: a shift is in seconds, positive later, negative earlier; lateness is what a track hears later
than the anchor, so that a shift of minus the lateness makes them coincide.
"""
