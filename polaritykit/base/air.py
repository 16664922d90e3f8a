"""Speed of sound in air from temperature and humidity, with its uncertainty and the formula used.

Conventions: temperature in °C, relative humidity in %, pressure in Pa, speeds in m/s; uncertainties are
standard uncertainties (one sigma).  Inside the range of Cramer's polynomial that is used; outside it the
plain formula of ISO 9613-1 is used and the result says so.
"""

import math
from dataclasses import dataclass

from polaritykit.base.errors import UsageError

#: Room assumed where nobody read a thermometer, and how far rooms depart from it (common practice).
_USUAL_TEMPERATURE_C, _UNKNOWN_TEMPERATURE_STD_C = 20.0, 3.0
_USUAL_HUMIDITY_PERCENT, _UNKNOWN_HUMIDITY_STD_PERCENT = 50.0, 20.0
#: A household thermometer and hygrometer (common practice).
_TEMPERATURE_STD_C, _HUMIDITY_STD_PERCENT = 1.0, 10.0
#: Cramer 1993 states "below 300 ppm" for the humid-air formula.
_FORMULA_STD = 300e-6


@dataclass(frozen=True, kw_only=True)
class SoundSpeed:
    """Speed of sound in the air at hand; uncertainties are one sigma."""

    speed_mps: float
    std_mps: float
    #: ``Cramer 1993``, ``ISO 9613-1`` (outside the first one's range) or ``given``.
    formula: str
    #: Temperature and humidity used; None where the speed itself was given.
    temperature_c: float | None
    humidity_percent: float | None
    #: What the reader must know about the formula, or None.
    note: str | None


_STANDARD_PRESSURE_PA = 101325.0
_KELVIN = 273.15
#: CO2 in outdoor air (mole fraction); 1000 ppm in a crowded room slows sound by 0.05 m/s only.
_CO2 = 400e-6

# Coefficients a0 … a15, O. Cramer, J. Acoust. Soc. Am. 93(5), 2510-2516 (1993), p. 2514.
_A = (331.5024, 0.603055, -0.000528, 51.471935, 0.1495874, -0.000782, -1.82e-7, 3.73e-8, -2.93e-10,
      -85.20931, -0.228525, 5.91e-5, -2.835149, -2.15e-13, 29.179762, 0.000486)  # fmt: skip


def iso_speed_mps(temperature_c: float) -> float:
    """Speed of sound by ISO 9613-1:1993: 343.2·√(T/T0), T0 = 293.15 K (humidity neglected).

    Examples
    --------
    >>> iso_speed_mps(20.0)
    343.2
    """
    return 343.2 * math.sqrt((temperature_c + _KELVIN) / 293.15)


def water_vapour_fraction(
    temperature_c: float, humidity_percent: float, pressure_pa: float = _STANDARD_PRESSURE_PA
) -> float:
    """Mole fraction of water vapour in moist air (saturation pressure and enhancement as given by Cramer).

    Parameters
    ----------
    temperature_c, humidity_percent : float
    pressure_pa : float
    """
    kelvin = temperature_c + _KELVIN
    enhancement = 1.00062 + 3.14e-8 * pressure_pa + 5.6e-7 * temperature_c**2
    saturation_pa = math.exp(
        1.2811805e-5 * kelvin**2 - 1.9509874e-2 * kelvin + 34.04926034 - 6.3536311e3 / kelvin
    )
    return humidity_percent / 100 * enhancement * saturation_pa / pressure_pa


def cramer_speed_mps(
    temperature_c: float,
    humidity_percent: float,
    pressure_pa: float = _STANDARD_PRESSURE_PA,
    co2_fraction: float = _CO2,
) -> float:
    """Speed of sound in moist air by the polynomial of Cramer (1993).

    Valid for 0-30 °C, 75-102 kPa, water vapour up to 0.06 by mole; the caller checks the range.
    Source: O. Cramer, J. Acoust. Soc. Am. 93(5), 2510-2516 (1993), doi 10.1121/1.405827; the paper states
    an uncertainty below 300 ppm.

    Parameters
    ----------
    temperature_c, humidity_percent : float
    pressure_pa : float
    co2_fraction : float
        By mole.
    """
    t, p, x = temperature_c, pressure_pa, co2_fraction
    w = water_vapour_fraction(t, humidity_percent, p)
    return (
        _A[0] + _A[1] * t + _A[2] * t**2
        + (_A[3] + _A[4] * t + _A[5] * t**2) * w
        + (_A[6] + _A[7] * t + _A[8] * t**2) * p
        + (_A[9] + _A[10] * t + _A[11] * t**2) * x
        + _A[12] * w**2 + _A[13] * p**2 + _A[14] * x**2 + _A[15] * w * p * x
    )  # fmt: skip


def speed_of_sound(
    *,
    temperature_c: float | None = None,
    humidity_percent: float | None = None,
    pressure_pa: float = _STANDARD_PRESSURE_PA,
    temperature_std_c: float | None = None,
) -> SoundSpeed:
    """Speed of sound with its uncertainty; what is left out takes a usual value with a wide uncertainty.

    Parameters
    ----------
    temperature_c, humidity_percent : float, optional
        As measured; None takes the usual room, 20 °C and 50 %.
    pressure_pa : float
        Air pressure.
    temperature_std_c : float, optional
        Standard uncertainty of the temperature; None takes a thermometer's 1 °C, or 3 °C where none was read.

    Returns
    -------
    SoundSpeed
        Value, standard uncertainty, formula, and a note where the plain formula had to be used.

    Raises
    ------
    UsageError
        If the humidity is not 0-100 %, the pressure is not that of any studio, or the temperature lies
        outside -50 to +60 °C.

    Examples
    --------
    >>> round(speed_of_sound(temperature_c=20, humidity_percent=50).speed_mps, 2)
    343.99
    """
    if temperature_std_c is None:
        known = temperature_c is not None
        temperature_std_c = _TEMPERATURE_STD_C if known else _UNKNOWN_TEMPERATURE_STD_C
    humidity_std = _HUMIDITY_STD_PERCENT
    if humidity_percent is None:
        humidity_std = _UNKNOWN_HUMIDITY_STD_PERCENT
    temperature_c = _USUAL_TEMPERATURE_C if temperature_c is None else temperature_c
    humidity_percent = _USUAL_HUMIDITY_PERCENT if humidity_percent is None else humidity_percent
    _check(temperature_c, humidity_percent, pressure_pa, temperature_std_c)

    moist = water_vapour_fraction(temperature_c, humidity_percent, pressure_pa)
    note = None
    if 0 <= temperature_c <= 30 and 75e3 <= pressure_pa <= 102e3 and moist <= 0.06:
        formula = "Cramer 1993"
        speed = cramer_speed_mps(temperature_c, humidity_percent, pressure_pa)
        formula_std = _FORMULA_STD * speed
        per_percent = (cramer_speed_mps(temperature_c, 100, pressure_pa)
                       - cramer_speed_mps(temperature_c, 0, pressure_pa)) / 100  # fmt: skip
        humidity_part = per_percent * humidity_std
    else:
        formula = "ISO 9613-1"
        speed = iso_speed_mps(temperature_c)
        # Moist air is faster than this formula says: up to 0.1 % at 0 °C, 0.7 % at 30 °C, more above.
        formula_std = speed * (0.001 if temperature_c < 0 else 0.005 if temperature_c <= 30 else 0.01)
        humidity_part = 0.0
        note = (
            f"{temperature_c:g} °C at {pressure_pa / 1000:g} kPa is outside the range of the humid-air "
            "formula (0 to 30 °C, 75 to 102 kPa): the plain formula of ISO 9613-1 was used, which leaves "
            "humidity out."
        )
    slope = iso_speed_mps(temperature_c) / (2 * (temperature_c + _KELVIN))
    return SoundSpeed(
        speed_mps=speed,
        std_mps=math.hypot(formula_std, slope * temperature_std_c, humidity_part),
        formula=formula,
        temperature_c=temperature_c,
        humidity_percent=humidity_percent,
        note=note,
    )


def given_speed(speed_mps: float) -> SoundSpeed:
    """Take a speed the user states as exact.

    Raises
    ------
    UsageError
        If it is not that of air at any temperature people record in (300-380 m/s).
    """
    if not 300 <= speed_mps <= 380:
        raise UsageError(
            f"A speed of sound of {speed_mps:g} m/s is not that of air: give 300 to 380 m/s, "
            "or the temperature."
        )
    return SoundSpeed(
        speed_mps=speed_mps,
        std_mps=0.0,
        formula="given",
        temperature_c=None,
        humidity_percent=None,
        note=None,
    )


def _check(temperature_c: float, humidity_percent: float, pressure_pa: float, std_c: float) -> None:
    """Refuse air nobody records in."""
    if not -50 <= temperature_c <= 60:
        raise UsageError(
            f"A temperature of {temperature_c:g} °C is outside -50 to 60 °C: check the unit, "
            "or give the speed of sound."
        )
    if not 0 <= humidity_percent <= 100:
        raise UsageError(f"A relative humidity of {humidity_percent:g} % is not between 0 and 100.")
    if not 50e3 <= pressure_pa <= 110e3:
        raise UsageError(f"An air pressure of {pressure_pa:g} Pa is not between 50 000 and 110 000.")
    if not (math.isfinite(std_c) and std_c >= 0):
        raise UsageError("The uncertainty of the temperature must be zero or more.")
