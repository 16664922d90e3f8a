"""Files to tracks on one clock, and back.

A session is a folder, a list of files or one multichannel file (`session`).  Only heads are read on opening
(`header`); samples come later, in blocks, and nothing is kept (`file_recording`), so that memory does not
grow with the length of the take.

One clock
    A file's first sample lies at an origin counted in whole samples of its own rate: from the time stamp of a
    broadcast wave file (``bext``, EBU Tech 3285; 64-bit sizes after EBU Tech 3306 and ITU-R BS.2088; iXML),
    else from the files' common start (`broadcast_wave`, `timeline`).  Times are exact fractions, so that
    nothing is rounded on the way to the sample.  The session's rate is the highest of its files';
    slower files are resampled in cells that begin on a whole sample of both clocks, by a
    linear-phase filter whose delay is taken out (less than 10⁻⁴ sample, measured).  The span looked at is the
    one that all tracks have in common.

What comes out
    float32, full scale 1.0, shape ``(n_tracks, n_samples)``, always finite: NaN, infinite and absurd samples
    become zeros and are remembered as a fault (`array_recording`, which also serves arrays in memory).
    `mixdown` writes sums of tracks to listen to.

Limits
    A time stamp is believed as it stands: recorders that were not in step give a wrong common span, which is
    what ``--ignore-start-times`` is for.  A clock that runs fast or slow is not mended here but found later
    (`changes`).  What libsndfile does not read is left out and named.
"""
