"""Speed of sound against published formulas and tables."""

import math

import pytest

from polaritykit.base.air import (
    cramer_speed_mps,
    given_speed,
    iso_speed_mps,
    speed_of_sound,
    water_vapour_fraction,
)
from polaritykit.base.errors import UsageError


@pytest.mark.parametrize(("celsius", "expected"), [(0, 331.286), (10, 337.296), (20, 343.200), (30, 349.005)])
def test_iso(celsius, expected):
    """ISO 9613-1:1993: 343.2·sqrt(T/293.15), worked by hand to a thousandth."""
    assert iso_speed_mps(celsius) == pytest.approx(expected, abs=0.001)


# Computed from the coefficients of Cramer, J. Acoust. Soc. Am. 93(5), 2510 (1993), p. 2514, by a second
# implementation: 101.325 kPa, 400 ppm CO2; columns dry, 50 %, 100 % relative humidity.
CRAMER = {
    0: (331.448, 331.604, 331.759),
    10: (337.459, 337.781, 338.103),
    20: (343.359, 343.987, 344.613),
    25: (346.268, 347.127, 347.984),
    30: (349.148, 350.310, 351.469),
}


@pytest.mark.parametrize("celsius", CRAMER)
@pytest.mark.parametrize(("column", "humidity"), [(0, 0), (1, 50), (2, 100)])
def test_cramer_table(celsius, column, humidity):
    """The polynomial agrees with an independently copied set of coefficients."""
    assert cramer_speed_mps(celsius, humidity) == pytest.approx(CRAMER[celsius][column], abs=0.005)


@pytest.mark.parametrize(("celsius", "expected"), [(0, 331.455), (20, 343.367), (30, 349.156)])
def test_cramer_with_the_paper_s_own_carbon_dioxide(celsius, expected):
    """Cramer 1993 assumes 314 ppm CO2; the dry values at that."""
    assert cramer_speed_mps(celsius, 0, co2_fraction=314e-6) == pytest.approx(expected, abs=0.005)


@pytest.mark.parametrize(("celsius", "handbook"), [(0, 331.45), (20, 343.37)])
def test_dry_air_agrees_with_the_handbooks(celsius, handbook):
    """Dry air in CRC Handbook and Kaye & Laby (values from memory): consistent within 0.02 m/s."""
    assert cramer_speed_mps(celsius, 0) == pytest.approx(handbook, abs=0.02)


@pytest.mark.parametrize("celsius", range(0, 31, 5))
def test_plain_rules_agree_within_their_error(celsius):
    """The textbook rules 331.3 + 0.606 t (within 0.5 m/s) and 331.3·sqrt(1 + t/273.15) (within 0.02 m/s)."""
    assert iso_speed_mps(celsius) == pytest.approx(331.3 + 0.606 * celsius, abs=0.5)
    assert iso_speed_mps(celsius) == pytest.approx(331.3 * math.sqrt(1 + celsius / 273.15), abs=0.02)


def test_ideal_gas():
    """sqrt(γRT/M), γ = 1.4 to 1.402 for dry air (Kinsler et al.), encloses Cramer's dry value at 20 °C."""
    low, high = (math.sqrt(gamma * 8.314462618 * 293.15 / 0.0289647) for gamma in (1.4, 1.402))

    assert low < cramer_speed_mps(20, 0) < high


def test_humidity_size():
    """From dry to saturated at 20 °C: +1.254 m/s, rising all the way (Cramer's polynomial)."""
    speeds = [cramer_speed_mps(20, humidity) for humidity in range(0, 101, 10)]

    assert speeds == sorted(speeds)
    assert speeds[-1] - speeds[0] == pytest.approx(1.254, abs=0.005)


def test_revised_vapour_pressure_changes_nothing():
    """The 1991 revision of the saturation pressure (CIPM-81/91) moves the speed by under a thousandth."""
    kelvin = 293.15
    revised = math.exp(1.2378847e-5 * kelvin**2 - 1.9121316e-2 * kelvin + 33.93711047 - 6.3431645e3 / kelvin)
    enhancement = 1.00062 + 3.14e-8 * 101325 + 5.6e-7 * 400
    ours = water_vapour_fraction(20, 100)
    theirs = enhancement * revised / 101325
    per_fraction = (cramer_speed_mps(20, 100) - cramer_speed_mps(20, 0)) / ours

    assert abs(theirs - ours) * per_fraction < 0.001


def test_uncertainty_follows_the_thermometer():
    """dc/dT = 0.585 m/s per kelvin at 20 °C (derivative of ISO 9613-1), joined with the formula's 300 ppm."""
    sound = speed_of_sound(temperature_c=20, humidity_percent=50, temperature_std_c=2.0)
    formula, humidity = 300e-6 * sound.speed_mps, 10 * 1.254 / 100

    assert sound.std_mps == pytest.approx(math.sqrt((2 * 0.585) ** 2 + formula**2 + humidity**2), rel=0.01)


def test_unknown_air_is_a_wide_answer():
    """Nobody read a thermometer: the usual room, with 3 °C of doubt instead of 1."""
    guess, known = speed_of_sound(), speed_of_sound(temperature_c=20, humidity_percent=50)

    assert guess.speed_mps == known.speed_mps
    assert guess.std_mps > 2 * known.std_mps


@pytest.mark.parametrize("arguments", [{"temperature_c": 35}, {"temperature_c": -5},
                                       {"temperature_c": 20, "pressure_pa": 60e3}])  # fmt: skip
def test_outside_the_range_the_plain_formula_is_used_and_said(arguments):
    """Cramer's range is 0 to 30 °C and 75 to 102 kPa; outside it ISO 9613-1, with a note and more doubt."""
    sound = speed_of_sound(**arguments)

    assert sound.formula == "ISO 9613-1"
    assert "outside the range" in sound.note
    assert sound.speed_mps == iso_speed_mps(arguments["temperature_c"])
    assert sound.std_mps > speed_of_sound(temperature_c=20).std_mps


@pytest.mark.parametrize("celsius", [0, 30])
def test_the_range_s_ends_belong_to_it(celsius):
    """0 and 30 °C themselves are inside."""
    assert speed_of_sound(temperature_c=celsius).formula == "Cramer 1993"


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"temperature_c": 72}, "outside -50 to 60"),
        ({"temperature_c": math.nan}, "outside -50 to 60"),
        ({"humidity_percent": 101}, "not between 0 and 100"),
        ({"pressure_pa": 1013.25}, "not between 50 000 and 110 000"),
        ({"temperature_std_c": -1}, "zero or more"),
    ],
)
def test_impossible_air_is_refused(arguments, message):
    """Values no studio has are mistakes."""
    with pytest.raises(UsageError, match=message):
        speed_of_sound(**arguments)


def test_given_speed():
    """1130 ft/s (Everest & Pohlmann's default) is 344.42 m/s; a speed of light is refused."""
    assert given_speed(1130 * 0.3048).speed_mps == pytest.approx(344.42, abs=0.005)
    with pytest.raises(UsageError, match="not that of air"):
        given_speed(3e8)
