"""Points joined two by two into ever larger groups, the nearest first: average linkage.

The distance of two groups is the mean over all pairs of their points (UPGMA: R. R. Sokal and C. D. Michener,
1958).  Groups are joined along chains of nearest neighbours, which end where two are each other's nearest
(F. Murtagh, 1983): no distance is looked at more than a few times.

(`scipy.cluster.hierarchy.linkage` gives the same, but draws in half of SciPy: that takes as
long as checking a short session.)
"""

import numpy as np

from polaritykit.base.types import Floats


def average_tree(points: Floats) -> Floats:
    """Join points into one tree.

    Parameters
    ----------
    points : ndarray, shape (n_points, n_coordinates)
        Two at least.

    Returns
    -------
    ndarray, shape (n_points - 1, 4)
        Joints from the lowest on: the two nodes joined (points come first, then joints in their order), their
        distance, and the points below.
    """
    n = len(points)
    distance = _distances(points)
    size = np.ones(n)
    chain: list[int] = []
    joints = []
    for _ in range(n - 1):
        if not chain:
            chain = [int(np.argmax(size > 0))]
        while True:
            row = distance[chain[-1]]
            nearest = int(np.argmin(row))
            if len(chain) > 1 and row[chain[-2]] <= row[nearest]:
                break
            chain.append(nearest)
        gone, kept = sorted((chain.pop(), chain.pop()))
        joints.append((gone, kept, distance[gone, kept]))
        both = (size[gone] * distance[gone] + size[kept] * distance[kept]) / (size[gone] + size[kept])
        distance[kept] = distance[:, kept] = both
        distance[kept, kept] = distance[gone] = distance[:, gone] = np.inf
        size[kept] += size[gone]
        size[gone] = 0.0
    return _in_order(joints, n)


def _distances(points: Floats) -> Floats:
    """Distance of each point from every other, infinite from itself."""
    squares = np.zeros((len(points), len(points)))
    for coordinate in points.T:
        squares += np.subtract.outer(coordinate, coordinate) ** 2
    np.fill_diagonal(squares, np.inf)
    return np.asarray(np.sqrt(squares))


def _in_order(joints: list[tuple[int, int, float]], n: int) -> Floats:
    """Name each joint's two nodes, which until now are a point of each."""
    tree = np.zeros((n - 1, 4))
    node = np.arange(n)
    count = np.concatenate([np.ones(n), np.zeros(n - 1)])
    for k, (a, b, height) in enumerate(sorted(joints, key=lambda joint: joint[2])):
        one, other = sorted((node[a], node[b]))
        count[n + k] = count[one] + count[other]
        tree[k] = one, other, height, count[n + k]
        node[(node == one) | (node == other)] = n + k
    return tree
