"""Job `demo`: three invented sessions with their truth beside them, the same samples every time.

A drum kit of nine microphones with two cables wired backwards, a stereo pair of two models, a voice and a
guitar that leak into each other (`kit`, `songs`).  Sources are textbook physics (`sources`): an ideal
membrane's modes and two heads coupled by air (Fletcher and Rossing, 2nd ed.), plucked strings (Karplus and
Strong, 1983; Jaffe and Smith, 1983), a glottal pulse through formants (Rosenberg, 1971; Klatt, 1980).  The
room is mirror images of each source up to 13.7 m (Allen and Berkley, 1979), then a diffuse tail with Eyring's
absorption (1930) (`room`). `session` renders the tracks and states the truth: every arrival, sign and level;
`write` saves both.

Limits
    Made to try the program on, not to judge it: arrival times are exact, walls and instruments are simple.
"""
