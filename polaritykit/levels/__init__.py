"""Blocks to levels and level faults of every track, in one pass.

`meter`
    Peak, RMS (plain: a full-scale sine reads −3.01 dBFS), crest, noise floor (a low percentile of the levels
    of 40 ms), DC offset against its standard error, silence, and copies by their correlation.
`true_peak`
    Largest value between the samples, after ITU-R BS.1770-5 Annex 2: eightfold interpolation by a
    Kaiser-windowed sinc.  On that grid a tone at f reads low by at most 20·log₁₀ cos(π·f/(8·rate)), 0.14 dB
    at 0.45 × rate.  Only stretches that can still raise the maximum are interpolated, by a bound that is
    exact.
`clipping`
    Runs of samples at a track's ceiling, where the waveform leaves faster than the flat top's own parabola
    would and was heading higher: at full scale and below it (clipped, then turned down).
`hum`
    Lines at 50 or 60 Hz and their harmonics that stand still in the quieter half of windows of 2 s.
`headroom`, `faults`
    Peak of the corrected sum, or its bound Σ|peak|; what each fault is called and what to do about it, in the
    trade's order: microphone's pad, preamp, never digital full scale (common practice, no source).

Limits
    Flat tops that a filter, a resampler or a codec bent later are not found, nor those under a higher peak
    elsewhere in the take.  Hum is not judged in takes of less than some seconds.  The true peak is that of
    this interpolator; an ideal, endless one has no bound.  Thresholds without a standard say so where
    they stand.
"""
