"""What a Hann window does to the statistics of its spectra: bins that are alike, frames that are not.

References
----------
Harris, F. J. (1978), Proc. IEEE 66(1), 51-83: transform of the window, 1/2 and -1/4 on either side.
Welch, P. D. (1967), IEEE Trans. AU 15(2), 70-73: variance of half-overlapping frames.
"""

from functools import cache

import numpy as np

from polaritykit.base.types import Floats, read_only

#: Bins that are alike: the squared correlation of neighbours, (2/3)² and (1/6)², added up over all of them,
#: 1 + 2·(16/36 + 1/36) = 35/18.
BINS_ALIKE = 35 / 18
#: Independent frames per half-overlapping one: 1/(1 + 2·(1/6)²).
INDEPENDENT_FRAMES = 0.947


@cache
def periodic_hann(size: int) -> Floats:
    """Window of one period: ``scipy.signal.get_window("hann", size)`` bit for bit.

    (Importing `scipy.signal` takes as long as checking a short session.)
    """
    return read_only((0.5 + 0.5 * np.cos(np.linspace(-np.pi, np.pi, size + 1)))[:-1])
