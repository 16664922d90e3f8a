"""Signs left open: a tone cannot tell half a period from a flip, several octaves can."""

import numpy as np
from made_scene import scene, sound

from polaritykit.decide.open_signs import open_signs
from polaritykit.decide.stage import decide

WIDE, ONE_OCTAVE = (0.0, 0.0, 0.0, 0.0, 0.0), (-60.0, -60.0, -60.0, 0.0, -60.0)


def of(octave_db):
    """Build a mic 3 ms before an overhead, its sign not settled."""
    return scene(
        [sound(0, (0.0, 3.0), (0.0, 0.0), octave_db=octave_db)], own=(0, 0), anchor=1, known=(False, True)
    )


def test_several_octaves_have_one_shift_and_it_is_set():
    """Brought together all octaves add 3 dB to the power sum; flipped, no shift does that in all."""
    found = decide(of(WIDE)).shifts[0]

    assert found.reason in ("coincide", "fuller")
    assert abs(found.shift_s - 3e-3) <= 0.2e-3


def test_in_one_octave_both_are_named():
    """Half a period at 500 Hz is 1 ms: flipped and a millisecond aside adds nearly as well."""
    (item,) = open_signs(of(ONE_OCTAVE))
    found = decide(of(ONE_OCTAVE)).shifts[0]

    assert not item.settled
    assert abs(abs(item.flipped_s - item.as_it_is_s) - 1e-3) < 0.15e-3
    assert (found.reason, found.shift_s) == ("sign_open", 0.0)
    assert found.either_s == (item.as_it_is_s, item.flipped_s)


def test_a_flipped_sign_is_never_taken_from_a_sum():
    """The recorded sign is wrong and only a flip would serve: that is for the ear, nothing is set."""
    made = scene(
        [sound(0, (0.0, 3.0), (0.0, 0.0), signs=(-1, 1), octave_db=WIDE)],
        own=(0, 0),
        anchor=1,
        known=(False, True),
    )
    found = decide(made).shifts[0]

    assert np.isclose(open_signs(made)[0].flipped_s, 3e-3, atol=0.2e-3)
    assert (found.reason, found.shift_s) == ("sign_open", 0.0)
