"""Job `recheck`: what changed between two reports of one set-up.

Both documents' pairs are compared by the first source that both time in them.  Polarities that turned split
the tracks into two sides, and the smaller one turned.  Changes of offsets are one move per track, fitted to
all pairs by least sum of absolute residuals (reweighted least squares, so that a pair that changed its source
does not bend the rest), against the largest set of tracks that kept their timing together (`compare`).
`words` says it, `document` keeps it.

Limits
    A change counts from three standard deviations and 0.1 ms on, a level from 3 dB on: two takes differ by
    playing alone.  Of two halves of the tracks that turned or moved against each other nobody can say which
    one did. Tracks are known by their names.
"""
