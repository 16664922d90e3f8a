"""A low source timed by its octave, against the delay it was given."""

import numpy as np
import pytest
from made_scene import sound

from polaritykit.decide.own_octave import timed_by_octave

LOW, MIDDLE = (0.0, -10.0, -30.0, -30.0, -30.0), (-30.0, -30.0, 0.0, -10.0, -20.0)


def untimed(late_ms, *, octave_db=LOW, signs=(1, 1, 1)):
    """Make a kick on its own mic and two overheads, whose arrivals were not found."""
    made = sound(0, late_ms, (0.0, -10.0, -12.0), signs=signs, octave_db=octave_db)
    return type(made)(home=0, arrival_s=np.full(3, np.nan), level_db=made.level_db, spectra=made.spectra)


@pytest.mark.parametrize("late_ms", [(0.0, 4.2, 4.8), (4.0, 3.0, 3.5), (0.0, 0.5, 0.0)])
@pytest.mark.parametrize("signs", [(1, 1, 1), (-1, 1, 1)])
def test_a_low_source_is_timed_by_its_octave(late_ms, signs):
    """To a step of 0.05 ms, whatever was recorded upside down, once that is known."""
    found = timed_by_octave(untimed(late_ms, signs=signs), 0, (1, 2), np.array(signs, dtype=float))

    assert found.by_octave
    assert 1e3 * found.arrival_s == pytest.approx(np.array(late_ms) - late_ms[0], abs=0.05)


def test_higher_sources_are_not():
    """At 250 Hz a period is 4 ms: the next one would fit as well."""
    assert timed_by_octave(untimed((0.0, 4.2, 4.8), octave_db=MIDDLE), 0, (1, 2), np.ones(3)) is None


def test_what_lies_beyond_the_search_is_not_timed():
    """15 ms: a room, not a close mic."""
    assert timed_by_octave(untimed((0.0, 15.0, 15.5)), 0, (1, 2), np.ones(3)) is None
