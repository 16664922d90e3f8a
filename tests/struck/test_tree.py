"""Trees of points against SciPy's."""

import numpy as np
import pytest
from scipy.cluster.hierarchy import linkage

from polaritykit.struck.tree import average_tree


@pytest.mark.parametrize("shape", [(2, 1), (3, 2), (120, 9)])
def test_tree_is_that_of_scipy(shape):
    """Joints and points below; heights but for rounding."""
    rng = np.random.default_rng(3)
    points = rng.standard_normal(shape) + 5 * rng.integers(0, 4, size=(shape[0], 1))
    tree, expected = average_tree(points), linkage(points, "average")
    assert np.array_equal(tree[:, [0, 1, 3]], expected[:, [0, 1, 3]])
    np.testing.assert_allclose(tree[:, 2], expected[:, 2], rtol=1e-12)


def test_equal_distances_are_joined_as_scipy_joins_them():
    """Points of a small grid, many of them on one another."""
    rng = np.random.default_rng(4)
    for _ in range(20):
        points = rng.integers(0, 4, size=(30, 2)).astype(float)
        np.testing.assert_allclose(average_tree(points), linkage(points, "average"), rtol=1e-12)
