"""The spread of an offset that may be of another arrival than it is taken for.

Conventions: odds are log-odds that a reading is of the arrival it is taken for.
"""

import math

#: Share of a normal error beyond two standard deviations.
_BEYOND_TWO = math.erfc(math.sqrt(2.0))


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
    for _ in range(30):
        middle = math.sqrt(low * high)
        beyond = (1.0 - wrong) * math.erfc(math.sqrt(2.0) * middle / std_s)
        beyond += wrong * math.erfc(math.sqrt(2.0) * middle / other_s)
        low, high = (middle, high) if beyond > _BEYOND_TWO else (low, middle)
    return math.sqrt(low * high)
