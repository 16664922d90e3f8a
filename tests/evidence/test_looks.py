"""What is looked at where files cover different times, and how it is put together.

Source: the definition of spans and of what they share.
"""

from dataclasses import replace

import numpy as np
import pytest

from polaritykit.evidence.looks import looks_of, together, within
from polaritykit.evidence.source import SourceEvidence

RATE = 1000


def said(home, at_s, *, odds, level_db=(0.0, -10.0, -20.0)):
    """Make a source that says the same of all pairs."""
    n = len(level_db)
    matrix = np.full((n, n), odds) * (1 - np.eye(n))
    return SourceEvidence(
        kind="hits",
        home=home,
        n_used=len(at_s),
        n_found=len(at_s),
        at_samples=np.array(at_s, dtype=np.int64) * RATE,
        offset_s=matrix * 1e-3,
        std_s=np.abs(matrix) * 1e-4,
        known=matrix != 0.0,
        log_odds=matrix,
        level_db=np.array(level_db),
        obstacle=("",) * n,
    )


def test_one_look_where_all_cover_the_same():
    """Half a percent more or less is no other span."""
    looks = looks_of([(0, 60_000), (0, 59_800), (100, 60_000)], RATE)
    assert [look.span for look in looks] == [(100, 59_800)]
    assert looks[0].pairs.sum() == 6
    assert looks[0].tracks.all()


def test_each_pair_is_looked_at_over_what_it_shares():
    """A camera in the middle, and a mic that was added later; the two share a minute of their own."""
    spans = [(0, 600_000), (0, 600_000), (100_000, 200_000), (150_000, 600_000)]
    looks = looks_of(spans, RATE)
    assert [look.span for look in looks] == [
        (0, 600_000),
        (150_000, 600_000),
        (100_000, 200_000),
        (150_000, 200_000),
    ]
    assert [look.tracks.tolist() for look in looks] == [
        [True, True, False, False],
        [True, True, False, True],
        [True, True, True, False],
        [True, True, True, True],
    ]
    pairs = sum(look.pairs.astype(int) for look in looks)
    np.testing.assert_array_equal(pairs, 1 - np.eye(4))
    assert looks[3].pairs[2, 3]
    assert looks[3].pairs.sum() == 2


def test_files_that_all_end_elsewhere_cost_four_looks():
    """The last look is over what all share, for all pairs that are left; none is lost or looked at twice."""
    looks = looks_of([(0, 600_000 - 60_000 * k) for k in range(9)], RATE)
    assert len(looks) == 4
    assert looks[-1].span == (0, 120_000)
    np.testing.assert_array_equal(sum(look.pairs.astype(int) for look in looks), 1 - np.eye(9))


def test_pairs_that_share_nothing_are_not_looked_at():
    """Half a second tells nothing either."""
    looks = looks_of([(0, 60_000), (0, 60_000), (59_500, 90_000)], RATE)
    assert [look.span for look in looks] == [(0, 60_000)]
    assert not looks[0].pairs[2].any()


def test_frames_outside_are_not_heard():
    """Only frames that lie in the look whole count."""
    look = looks_of([(0, 1000), (0, 1000)], 100)[0]
    levels = within(np.zeros((12, 2)), replace(look, span=(250, 700)), 100)
    np.testing.assert_array_equal(np.flatnonzero(np.isfinite(levels[:, 0])), [3, 4, 5, 6])


@pytest.mark.parametrize("late", [0.0, 0.01])
def test_a_source_found_twice_stands_once(late):
    """Its pairs with the short file are those of the look at it, all others those of the whole take."""
    looks = looks_of([(0, 60_000), (0, 60_000), (0, 20_000)], RATE)
    whole = said(0, [5, 15, 25, 35], odds=3.0, level_db=(0.0, -10.0, -150.0))
    part = replace(said(0, [5, 15], odds=-1.0, level_db=(2.0, -9.0, -20.0)), obstacle=("", "", "scatter"))
    part = replace(part, at_samples=part.at_samples + round(late * RATE))
    (one,) = together([(whole,), (part,)], looks, RATE)
    np.testing.assert_array_equal(one.log_odds, [[0, 3, -1], [3, 0, -1], [-1, -1, 0]])
    assert one.known[0, 2]
    assert one.offset_s[0, 2] == -1e-3
    # As loud against its home as the look heard it.
    np.testing.assert_allclose(one.level_db, [0.0, -10.0, -22.0])
    assert one.obstacle == ("", "", "scatter")


def test_another_source_stands_by_itself():
    """Other strokes, and it says nothing of pairs that the whole take answers for."""
    looks = looks_of([(0, 60_000), (0, 60_000), (0, 20_000)], RATE)
    first, second = together([(said(0, [25, 35], odds=3.0),), (said(0, [5, 15], odds=-1.0),)], looks, RATE)
    np.testing.assert_array_equal(first.log_odds, [[0, 3, 0], [3, 0, 0], [0, 0, 0]])
    np.testing.assert_array_equal(second.log_odds, [[0, 0, -1], [0, 0, -1], [-1, -1, 0]])
