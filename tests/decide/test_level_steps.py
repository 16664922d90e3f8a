"""A pad on one side, by levels written by hand."""

from dataclasses import replace

import numpy as np
import pytest
from made_scene import scene, sound

from polaritykit.decide.level_steps import level_steps

#: Two overheads: the kick in the middle, hat and ride each nearer to one side.
KICK, HAT, RIDE = (3.0, 3.0, 0.0), (2.0, 4.0, 0.0), (4.0, 2.0, 0.0)


def overheads(step_db):
    """Three sources in two overheads, the second quieter by a step."""
    sounds = [
        sound(2, late, (left, right - step_db, 0.0))
        for late, left, right in ((KICK, -6.0, -6.0), (HAT, -4.0, -7.0), (RIDE, -7.0, -4.0))
    ]
    return scene(sounds, own=(0, 1, 0), anchor=0, linked=((0, 1),))


@pytest.mark.parametrize(("step_db", "pad"), [(10.0, 10), (20.0, 20), (9.0, 10), (21.0, 20)])
def test_a_pad_on_one_side_of_a_pair_is_seen(step_db, pad):
    """Within 1.5 dB of 10 or 20."""
    (step,) = level_steps(overheads(step_db))

    assert (step.louder, step.quieter, step.pad_db) == (0, 1, pad)
    assert step.step_db == pytest.approx(step_db)


@pytest.mark.parametrize("step_db", [0.0, 3.0, 6.0, 14.0, 30.0])
def test_other_steps_are_gains(step_db):
    """Nobody's pad."""
    assert level_steps(overheads(step_db)) == ()


def test_mics_at_other_distances_say_nothing():
    """A mic 1 ms nearer is louder by nature, unless the two are a pair."""
    made = scene([sound(0, (0.0, 1.0), (0.0, -10.0))], own=(0, 0), anchor=1)
    together = scene([sound(0, (0.0, 0.02), (0.0, -10.0))], own=(0, 0), anchor=1)

    assert level_steps(made) == ()
    assert [step.pad_db for step in level_steps(together)] == [10]


def test_a_third_drum_equally_far_from_two_close_mics_says_nothing():
    """Each is set by its own drum, and their gains are the engineer's."""
    third = sound(2, (2.0, 2.0, 0.0), (-20.0, -30.0, 0.0))
    kick = sound(0, (0.0, 2.0, 2.0), (0.0, -35.0, -30.0))
    tom = sound(1, (2.0, 0.0, 2.0), (-25.0, -10.0, -30.0))

    assert level_steps(scene([third, kick, tom], own=(0, 1, 2), anchor=2)) == ()


def test_sources_that_do_not_agree_make_no_step():
    """One 20 dB down, one level, one between: three places, not a pad."""
    made = overheads(0.0)
    levels = [np.array([0.0, -10.0 + k, 0.0]) for k in (-12.0, 0.0, 12.0)]
    sounds = [replace(s, level_db=level) for s, level in zip(made.sounds, levels, strict=True)]

    assert level_steps(replace(made, sounds=tuple(sounds))) == ()
