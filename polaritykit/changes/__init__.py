"""What moved, drifted or was switched during the take, so that no answer is an average of two states.

`hit_lags`
    Hit by hit, each track's cross-spectrum with the home track against the mean of its other hits (align by
    the mean, average, repeat: Woody, 1967).  Neither room nor distance enters; what is left is what changed.
`frame_lags`
    Sustained sound pair by pair: most pairs are at rest, every group of frames showing the pooled peak.
    Where they do not, the one line of lags over time (two clocks) or the one moment (a step) is looked for
    that gathers most frames (`frame_line`, `frame_step`; `followed_frames` holds the frames).
`explain_hits`
    Takes off what all tracks of a hit share and each track's usual value (median polish: Tukey), then asks
    for one explanation per track: a straight line (slopes of all pairs of hits: Theil and Sen), a step in
    time, or a turned sign.  It must explain about half of the lags' size or more, stand six standard errors
    high, and not be what hits of two kinds in random order give (hypergeometric distribution).
`explain_frames`
    Tracks whose pairs are at rest move together; what changed against the largest such group is told.
`motion`, `steady_recording`
    A track's lag at a time t: rate·(t − middle) + the steps between t and the state that is reported, the
    longest one; and the recording read with that taken back, in whole samples, for a second reading.

Limits
    One change of a kind per track and round, three rounds at most.  Below 2 ppm, 0.1 ms over the take or a
    step of 0.15 ms it may be the player's movement.  A drift is only told and taken back for the measurement:
    no single delay mends it.  Of two groups of equal size nobody can say which one moved; the first counts as
    at rest.
"""
