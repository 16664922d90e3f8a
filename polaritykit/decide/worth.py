"""What is worth setting: numbers that several steps of the decision share.

Conventions: dB of a sum; times in seconds.  What is heard at all is in `polaritykit.base.hearing`.
"""

#: A gain that is not heard by itself but is there is told as optional.
OPTIONAL_DB = 0.3
#: A shift below this is none: a tenth of the period at 1 kHz.
LEAST_SHIFT_S = 1e-4
#: A mic whose own source lies this far away in time keeps its lateness: it is there for the room (3 m).
FAR_S = 8.7e-3
