"""First-order microphone patterns and the losses between capsule and input.

Conventions: gain is a signed amplitude, 1 on axis; negative is the rear lobe, which delivers the sound with
the other polarity.  Impedances in ohm, losses in dB (negative).
"""

import math

#: Pattern -> share p of pressure in p + (1 − p)·cos θ.  Supercardioid: (√3 − 1)/2 has the best
#: front-to-back ratio, hypercardioid: 1/4 the best rejection of diffuse sound (textbook derivations).
#: Subcardioid is no optimum of anything: microphones sold as such have 0.6 to 0.8 (from memory).
PATTERNS = {
    "omni": 1.0,
    "subcardioid": 0.75,
    "cardioid": 0.5,
    "supercardioid": (math.sqrt(3) - 1) / 2,
    "hypercardioid": 0.25,
    "figure-of-eight": 0.0,
}


def pattern_gain(pattern: str, cos_angle: float) -> float:
    """Signed gain of a first-order pattern: p + (1 − p)·cos θ.

    Parameters
    ----------
    pattern : str
        A key of `PATTERNS`.
    cos_angle : float
        Cosine of the angle between the mic's front and the direction the sound comes from.

    Examples
    --------
    >>> pattern_gain("figure-of-eight", -1.0)
    -1.0
    >>> pattern_gain("cardioid", 0.0)
    0.5
    """
    pressure = PATTERNS[pattern]
    return pressure + (1 - pressure) * cos_angle


def loading_loss_db(source_impedance_ohm: float, input_impedance_ohm: float) -> float:
    """Level lost by a mic of this impedance into this input: 20·log10(Zin/(Zin + Zs)), voltage divider.

    Examples
    --------
    >>> round(loading_loss_db(150, 1500), 2)
    -0.83
    """
    return 20 * math.log10(input_impedance_ohm / (input_impedance_ohm + source_impedance_ohm))
