"""Sets of things that hang together, held against SciPy's own."""

import numpy as np
import pytest
from scipy.sparse.csgraph import connected_components

from polaritykit.base.connected import connected


@pytest.mark.parametrize("ties", [0.0, 0.005, 0.02, 0.1])
@pytest.mark.parametrize("n", [1, 2, 7, 60])
def test_the_sets_are_those_of_scipy(n, ties):
    """Ties one way, at random."""
    rng = np.random.default_rng([n, int(ties * 1000)])
    for _ in range(20):
        tied = rng.random((n, n)) < ties

        assert np.array_equal(connected(tied), connected_components(tied, directed=False)[1])


def test_a_long_chain_is_one_set():
    """Each thing is tied to the next alone, in an order of its own."""
    order = np.random.default_rng(1).permutation(200)
    tied = np.zeros((200, 200), dtype=bool)
    tied[order[:-1], order[1:]] = True

    assert not connected(tied).any()
