"""Pairs of tracks to groups that are read together."""

from itertools import combinations

import numpy as np
import pytest

from polaritykit.sustained.take_frames import by_groups


@pytest.mark.parametrize(
    ("n_tracks", "n_pairs", "most"), [(60, 120, 12), (30, 435, 8), (9, 20, 40), (4, 3, 2)]
)
def test_all_pairs_come_once_in_groups_that_fit(n_tracks: int, n_pairs: int, most: int) -> None:
    """Few pairs of many tracks, all pairs of some, and more room than there are tracks."""
    every = list(combinations(range(5, 5 + n_tracks), 2))
    chosen = np.random.default_rng(3).choice(len(every), n_pairs, replace=False)
    pairs = [every[k] for k in sorted(chosen.tolist())]
    groups = list(by_groups(pairs, most))
    assert sorted(pair for _, part in groups for pair in part) == pairs
    for tracks, part in groups:
        assert len(tracks) <= most
        assert tracks == tuple(sorted({track for pair in part for track in pair}))


def test_tracks_that_belong_together_are_read_once() -> None:
    """Three groups of four, mixed in session order: each is read by itself, and no track twice."""
    groups = [(0, 3, 6, 9), (1, 4, 7, 10), (2, 5, 8, 11)]
    pairs = sorted(pair for group in groups for pair in combinations(group, 2))
    assert sorted(tracks for tracks, _ in by_groups(pairs, 4)) == groups
