"""One source at a time to signed evidence on every pair of tracks.

`first_pass`
    Levels, pooled spectra, onsets and activity from one pass over the audio: each sample is read once.
`collect`
    Pairs of percussive tracks are read by their hits, others by their frames; pairs whose strokes repeat no
    waveform by both.  If a track changed during the take, all is read again with that taken back (`changes`).
`source`, `from_hits`, `from_frames`, `from_take`
    All readings to one form, `SourceEvidence`: offset with its spread, log-odds that the two tracks hear the
    source with the same polarity, and why a track has no clear arrival.  Of hits

        log-odds = sign·slope·(2.4·|ρ| + 1.0·votes + 0.5·coherence + 0.3·stability − 1.67), slope 4

    held between 0 and a cap, and nothing where the two readings of the sign differ or the arrival lies under
    the noise (less inside the brackets for fewer than ten hits: 0.6 for six); fitted once by logistic
    regression on hits of a real kit; where a pick scatters, nothing unless the direct sound correlates there
    too.  Of frames they rise as the highest opposite lobe falls, if all parts of the spectrum agree.
`some_tracks`
    Of more than 64 tracks a struck source is looked for in the 64 in which most sets in with its strokes: all
    that grows with the square of its tracks stays as it is at 64.
`weigh`
    A source far below another on a track says less of it (its first motion lies under the other's sound).
    The lowest drum beside others has part of its say: it is heard with opposite signs on its two sides.
`voices`, `voice_sign`
    A close voice tells the polarity of its own track, by the skewness of its prediction residual (Drugman,
    2013); wrong signs of far voices stay below the figure it takes.  It decides between sides of one size.
`plan_limits`
    Offsets that sound in air cannot have between the mics of a plan, |offset| ≤ distance/c and a converter's
    latency, are not believed.

Limits
    The weights come from drums and microphones of one kit; margins count how many edges agree rather than
    rest on their exact worth.  An edge is capped: one source alone never counts as much as
    two that agree (`decide`).
"""
