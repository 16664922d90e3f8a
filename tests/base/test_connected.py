"""Groups of things against SciPy's."""

import numpy as np
from scipy.sparse.csgraph import connected_components

from polaritykit.base.connected import connected


def test_groups_are_those_of_scipy():
    """From no link at all to one group, and a chain through all in no order."""
    rng = np.random.default_rng(1)
    links = [rng.random((n, n)) < per_thing / n for n in (1, 2, 7, 60) for per_thing in (0.0, 0.5, 1.0, 3.0)]
    chain, order = np.zeros((90, 90), dtype=bool), rng.permutation(90)
    chain[order[:-1], order[1:]] = True
    for linked in (*links, chain):
        assert np.array_equal(connected(linked), connected_components(linked, directed=False)[1])
