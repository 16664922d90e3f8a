"""What is heard: the range of frequencies, and the least change of level."""

#: Hearing: common practice, ISO 226 gives its thresholds from 20 Hz on.
HEARING_HZ = (20.0, 20_000.0)
#: A change of level that is just heard (common practice, no source).
AUDIBLE_DB = 1.0
#: A track hears a source well whose own loudest source is no more than this above it: the direct sound leads
#: over what it makes ring.
WELL_HEARD_DB = 12.0
