"""Job `layout`: what a mic plan predicts, and a session held against its plan.

Plan
    `plan_file` and `room` read it from TOML, strictly: every key is known, every fault names file, key and
    remedy (`toml_table`).  Points measured by tape are settled by least squares over all tapes; a tape is
    suspected by its residual over the share of an error that the fit lets show (Baarda, 1968; limit 3.29)
    (`tape`).
Prediction
    Direct sound of every source at every mic: delay distance/c; level by inverse distance, first-order
    pattern p + (1 − p)·cos θ (`mic_patterns`), pad and loading 20·log₁₀(Zin/(Zin + Zs)) (`paths`).  Pairs
    follow as differences, their sum as a comb (`spectra.comb`), first reflections from mirror images
    (`predict`). Uncertainties are one sigma, to first order from the covariance of the positions.  Offsets of
    b against a lie within ± distance(a, b)/c, wherever the sound comes from (triangle inequality).
Comparison
    What departs from the plan by more than the uncertainties is named (`against`).  A track late alike for
    all sources has a latency; one that is late unequally stands elsewhere (`track_lags`).

Limits
    Sources are points, microphones follow their textbook patterns, one reflection per surface is counted.
    The 3:1 check is common practice, not acoustics.  With two mics only, nobody can say which of them is
    late.
"""
