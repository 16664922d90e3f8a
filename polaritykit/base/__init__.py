"""What every stage uses and no stage owns: types, units, words, errors, whole files.

Nothing here knows of microphones' polarity or of any job; everything may import it, it imports nothing.

`types`
    The `Recording` that all computation reads in blocks, arrays, JSON.
`air`
    Speed of sound, with its standard uncertainty and the formula used.  Moist air by Cramer's polynomial
    (1993, uncertainty below 300 ppm) where it holds (0 to 30 °C, 75 to 102 kPa); elsewhere c = 343.2·√(T/T₀)
    of ISO 9613-1:1993 with T₀ = 293.15 K, which leaves humidity out.  What the user does not give is taken as
    a usual room with a wide uncertainty; what he gives as a speed counts as exact.
`octaves`
    Octave bands by the nominal centres of IEC 61260-1.
`quantities`, `wording`
    Quantities as people write them, and as they are shown: never with more digits than their uncertainty
    supports, a dash for what is not known.  Lengths and times without a unit are refused, not guessed.
`track_names`
    What names tell by trade habit (left and right, overhead, room, under a drum).  A name never decides a
    measurement: it chooses what is kept together, what keeps its timing, and words.
`whole_files`
    Every file and folder is written under a temporary name and renamed when complete, so that an
    interruption leaves what was there before; what is read is never written to.
`errors`
    A bad request or input is one sentence with an exit code.  A bad *track* is no error but a result.
"""
