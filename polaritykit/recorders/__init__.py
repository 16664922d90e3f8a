"""Recorders that did not start together, or whose clocks run apart: found by what they heard, and lined up.

Which files share a clock (`clock_groups`)
    The channels of one file; files of one length (within 10 ms) that start at the same time by their heads,
    or have no start time; files whose heads tell one start time other than midnight, whatever their lengths
    (nothing starts at 13:05:07.25 by chance).  Nothing is sought between them.  A file that shares no sound
    with any other in spite of one length is looked at by itself in a second round (`jobs/check`).

Where a group lies (`locate`)
    Its tracks' sum, thinned to 8 kHz, is compared with that of the largest group: first where the heads put
    it, at any drift, then at all lags of the takes (`sustained/coarse`).  An overlap of 20 s is looked at,
    30 s suffice.  Where a group has several tracks, the two that fit best are then timed alone: close mics
    hear a player earlier than far ones, and a sum of both has no one arrival.

What follows (`open`)
    Files that lie where their heads put them are placed as ever.  Others are read on the reference's clock
    (`audio/other_clock`), so that all later stages see one clock; what fits in several places or nowhere
    stays where its head puts it, and that is said.  Sentences are made in `words`, the part of the recorders
    in offsets in `parts`; the tracks that are compared are chosen and thinned in `takes`.

Limits
    Takes under 20 s are not sought.  Each file is looked at where it lies; 20 s in common to all are kept.
    A clock is taken to run evenly: what a device skips or doubles breaks the line.  The place is that of the
    sound at the two mics compared, its travel between them included.
"""
