"""The spread of an offset that may be of another arrival than it is taken for.

Conventions: odds are log-odds that a reading is of the arrival it is taken for.
"""

import math

#: Share of a normal error beyond two standard deviations.
_ROOT_TWO = math.sqrt(2.0)
_BEYOND_TWO = math.erfc(_ROOT_TWO)


def with_other(std_s: float, right: float, other_s: float) -> float:
    """Half the distance within which 95 % lie, of a normal error or of another arrival, as likely as that is.

    The root lies between that of the likely error alone and that of the other arrival alone.

    Parameters
    ----------
    std_s : float
        Of the reading itself.
    right : float
        Log-odds.
    other_s : float
        How far off the other arrival lies, as a standard deviation.

    Returns
    -------
    float
        Seconds.
    """
    wrong = 1.0 / (1.0 + math.exp(min(right, 700.0)))
    other_s = max(other_s, std_s)
    low, high = std_s, other_s
    sqrt, erfc, right_one = math.sqrt, math.erfc, 1.0 - wrong
    for _ in range(30):
        middle = sqrt(low * high)
        apart = _ROOT_TWO * middle
        if right_one * erfc(apart / std_s) + wrong * erfc(apart / other_s) > _BEYOND_TWO:
            low = middle
        else:
            high = middle
    return sqrt(low * high)
