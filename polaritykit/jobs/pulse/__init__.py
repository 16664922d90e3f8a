"""Job `pulse`: the line check, which finds absolute polarity and latency of every channel.

Signal (`signal`)
    Short pulses, all positive, at irregular times, repeated: each pushes the loudspeaker outwards, and the
    spectrum is as dense as noise, so that the whole chain's response follows by division.
Reading (`find`, `read`)
    The repeats are found by a matched filter, lined up (which follows the drift of two clocks) and averaged;
    division by the known spectrum gives the impulse response.  The sign is that of the phase-only direct
    sound in a gate of some milliseconds, before most reflections, between 250 Hz and 5 kHz; the octaves at
    500 Hz, 1 and 2 kHz must agree with it within 65° and no opposite peak may come near.
Two tones (`two_tone`)
    For wires and converters: the phase of the upper tone against twice that of the lower (tones of AES17).
    An all-pass can fake an inversion, and nothing in the recording tells.

"Positive": a positive sample played gives a positive sample recorded (AES26, from memory).

Limits
    Two inversions in one chain read as none: the loudspeaker itself must be known to be right.  A near
    reflection as strong as the direct sound, or a filter that turns the phase throughout the band, reads as
    "cannot tell". Latency counts from the first sample of the recording.
"""
