"""Delays between two samples.

Conventions: delays in samples, positive later.

The filter is the ideal interpolator sinc(n − d) under a Kaiser window that is shifted with it (Laakso,
Välimäki, Karjalainen, Laine, IEEE Signal Processing Magazine 13(1), 1996); by Kaiser's design formula
(attenuation A from N taps: transition Δf = (A − 7.95)/(14.36·N)) its error is −150 dB up to 0.474 times the
sample rate.
"""

import numpy as np

from polaritykit.base.types import Floats

#: Taps on either side of the delay: 192 in all, see the module's text.
HALF_TAPS = 96
#: Kaiser's β for 150 dB: 0.1102·(A − 8.7).
_KAISER_BETA = 0.1102 * (150.0 - 8.7)


def delay_filter(fraction: float) -> Floats:
    """Return the interpolator for a delay between two samples.

    Parameters
    ----------
    fraction : float
        Delay in samples, 0 to 1.

    Returns
    -------
    ndarray, shape (192,)
        Impulse response; its delay is ``95 + fraction``.

    Examples
    --------
    >>> taps = delay_filter(0.25)
    >>> round(float(np.dot(taps, np.arange(192)) / taps.sum()), 6)
    95.25
    """
    t = np.arange(-HALF_TAPS + 1, HALF_TAPS + 1) - fraction
    window = np.i0(_KAISER_BETA * np.sqrt(np.maximum(1.0 - (t / HALF_TAPS) ** 2, 0.0))) / np.i0(_KAISER_BETA)
    taps: Floats = np.sinc(t) * window
    return taps
