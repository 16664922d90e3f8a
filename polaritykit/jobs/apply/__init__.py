"""Job `apply`: corrected copies of a session's files, and what they show when measured again.

Files (`file_jobs`, `copy_file`, `copies`)
    Container, sample format, rate, channels, start time and other chunks stay; the files themselves are never
    changed.  A delay pads the start and lengthens the file by as much, so that all start times stay true; or,
    asked for, it moves the start time by whole samples, and the sound stays bit for bit but for flips
    (`audio.start_stamp`).  A clipped track and its stereo partner are moved by whole samples: interpolated,
    flat tops would ring and no longer be seen.
Rendering (`render`)
    A flip or a whole-sample delay only negates and moves samples, exactly.  A fractional delay d is the ideal
    interpolator sinc(n − d) under a Kaiser window shifted with it (Laakso, Välimäki, Karjalainen and Laine,
    1996): 192 taps, error −150 dB up to 0.474 times the rate.
Measured again (`gains`, `measure_again`)
    Predicted gains come from the spectra before with the settings put in, |Σ w X|² = Σ conj(w_a)·w_b·C_ab
    with w = ±e^(−j2πfd); measured ones from the spectra of the copies.  The copies are then checked like any
    session.

Limits
    A fractional delay rings for 96 samples before and after; ``--whole-samples`` avoids that and rounds the
    delay. Samples that pass full scale are limited and counted.  What the copies are checked with is the
    method that gave the corrections: it shows that they were made as meant, not that they were right.
"""
