"""Struck sound: onsets to sources, first arrivals and signs.

A hit tells more than its spectrum: when it *began* on each track.  What begins first is the direct sound,
whose delay and sign are the microphones' own; what follows is the room's.

1. `onsets`: a frame of 1 ms whose energy, about its own straight line (a high-pass near 500 Hz), rises by 12
   dB over the sound just before.  Strong onsets of all tracks within 15 ms are one event, on the time that
   they have in common (`common_time`).
2. `sources`: events that the tracks hear at alike relative levels, in two bands, come from one source
   (average linkage; a group counts by the share of plausible cuts at which it stands).  Its home is the
   track on which nearly all its hits rise highest and come nearest to that track's own loudest ones.  The
   hits least disturbed by other sources and by what still rings are used.
3. `first_arrival`: each hit, read once (`windows`), is filtered by the prediction-error filter of the sound
   before it (Sleeman and van Eck, 1999), so that only what is new stands out, and bounded by tanh, so that
   no hit outvotes the rest (Schimmel and Paulssen, 1997). The average of those votes over n samples has its
   change of variance where

       AIC(k) = k·log var(1…k) + (n−k)·log var(k+1…n)

   is least (a variant of Maeda, 1985: variances about zero).  Resampled hits (bootstrap) give the spread
   and how often the pick stays.
4. `line_up`: picks are whole samples and late where a track rises slowly.  The lags between the votes of all
   pairs, weighted by how similar they are, give one shift per track by least squares, so that offsets still
   close around any loop (VanDecar and Crosson, 1990).
5. `signs`: the sign of a pair is read twice, as the mean over hits of the normalised correlation of the first
   2.5 ms between 100 Hz and 3 kHz, and on the averaged votes (`pair_correlation`).
6. `direct_correlation`: the phase transform of the direct sound, averaged over hits and read several times
   over, in bands that begin and end lower the lower the drum is: in a bass drum's own octaves there is
   nothing of the hat that is struck with it.
7. `repeatability`: how similar a source's strokes are. A shaker or brushes repeat no waveform and are read
   as sustained sound.

Beside them `own_strokes` finds the few strokes of a drum that is not told apart, by the mic that is close to
it: what sums lose of it can then be foretold, though nothing is said of its arrivals.

Limits
    A source needs some six hits, four where it shares none with others.  Where a cymbal sounds along with
    nearly every stroke, only the lowest drum is told apart from it.  Of a far or quiet mic the first motion
    may lie under the noise, and a later one is picked: the level over the noise and the stability of the pick
    tell, and `evidence` weighs by them.  A bass drum is heard with opposite signs on its two sides.
    References are cited from memory.
"""
