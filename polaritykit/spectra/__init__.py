"""Blocks to pooled spectra of all pairs; sums, correlation, an offset from phase and combs from them.

Pooled spectra (`pool`)
    Frames under a Hann window; P_a = mean |X_a|² and C_ab = mean conj(X_a)·X_b.  A track b that hears the
    sound later by τ turns C_ab by e^(−j2πfτ).  Each track is transformed once per frame, all pairs are one
    matrix product.  Everything below follows from P and C and is exact for the audio that was measured.

Sums (`pair_sum`, `session_sum`)
    With s = ±1 and a delay d given to b, |A + s·B·e^(−j2πfd)|² = P_a + P_b + 2s·Re(C_ab·e^(−j2πfd)); of n
    tracks |Σ w X|² = Σ conj(w_a)·w_b·C_ab.  Levels are against the power sum: 0 dB where nothing adds or
    cancels, +10·log₁₀ n where n equal tracks agree, none shown below −20 dB.  Curves are smoothed to a
    twenty-fourth of an octave.  Coherence |ΣC|²/(ΣP_a·ΣP_b) is taken with the pair aligned, so that delay
    does not read as incoherence (Bendat and Piersol, Random Data).

Correlation (`correlation`)
    The inverse transform of C_ab under a band weight, normalised to ±1; its peak stands at the offset of b.

Offset from phase (`coherent_offset`)
    Of sound that goes on, for two tracks that hear it from one place: bins weigh γ²/(1−γ²) (Hannan and
    Thomson, 1973), those that chance explains (P(γ² > x) = (1−x)^(n−1); Carter, Knapp and Nuttall, 1973)
    nothing.  The sign is read where every octave has the same say, the lag is refined by least squares on the
    phase, and its uncertainty is the largest of the jackknife's (Efron, 1982), the octaves' scatter and the
    phase noise.

Combs (`comb`)
    A sound and its copy later by τ and weaker by a: |H|² = 1 + a² ± 2a·cos(2πfτ).  Same polarity cancels at
    odd multiples of 1/(2τ), inverted at multiples of 1/τ; depth −20·log₁₀(1−a), height 20·log₁₀(1+a).

Limits
    A pooled spectrum mixes all sources of the take: with several at different offsets it tells how the sum
    is, not where each source lies.  A delay is known to the frame only while it is short against it (8192
    samples). The comb's closed form holds for two arrivals alone; reflections fill notches.
"""
