"""From what a user knows of a set-up (path, delay, spacing, distances) to a delay and a level difference.

Conventions: quantities come as text with units (see `polaritykit.base.quantities`); uncertainties are one
sigma and are carried to first order.
"""

import math
from dataclasses import dataclass

from polaritykit.base.air import SoundSpeed, given_speed, speed_of_sound
from polaritykit.base.errors import UsageError
from polaritykit.base.quantities import parse, parse_delay_s, parse_length_m

#: An angle judged by eye (common practice).
_ANGLE_STD_DEG = 2.0
#: A level difference read from meters (common practice).
LEVEL_STD_DB = 0.5
#: A tape measure held by hand between two capsules (common practice).
TAPE_STD_M = 0.01


@dataclass(frozen=True, kw_only=True)
class CombGeometry:
    """Delay and level difference of a copy against the direct sound."""

    delay_ms: float
    delay_std_ms: float
    #: None where the delay itself was given.
    path_difference_std_m: float | None
    level_difference_db: float
    level_difference_std_db: float
    remarks: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class _Ways:
    """Two ways from a source, or what is known of them."""

    difference_m: float
    difference_std_m: float
    level_db: float | None
    level_std_db: float


def comb_geometry(
    *,
    path_difference: str | None,
    delay: str | None,
    spacing: str | None,
    source_angle: str | None,
    source_distance: str | None,
    distances: tuple[str, str] | None,
    level_difference: str | None,
    sample_rate_hz: float,
    sound: SoundSpeed,
    tape_std_m: float,
) -> CombGeometry:
    """Work out delay and level difference from exactly one description.

    Parameters
    ----------
    path_difference, delay, spacing : str or None
        One of them, with its unit, or none where `distances` give the path difference.
    source_angle, source_distance : str or None
        With `spacing`: angle from straight ahead, distance from the middle.
    distances : (str, str) or None
        From the source to either mic; they also give the level difference.
    level_difference : str or None
    sample_rate_hz : float
        For delays in samples.
    sound : SoundSpeed
    tape_std_m : float
        Standard uncertainty of every length.

    Raises
    ------
    UsageError
        If none or several descriptions are given, or one contradicts another.
    """
    given = [name for name, value in (("--path-difference", path_difference), ("--delay", delay),
                                      ("--spacing", spacing)) if value is not None]  # fmt: skip
    if len(given) > 1:
        raise UsageError(f"{' and '.join(given)} say the same thing twice; give only one.")
    if not given and distances is None:
        raise UsageError("Give one of --path-difference, --delay, --spacing or --distances.")
    if spacing is None and (source_angle is not None or source_distance is not None):
        raise UsageError("--source-angle and --source-distance belong to --spacing; give that too.")
    if distances is not None and level_difference is not None:
        raise UsageError("--distances and --level-difference both say the level; give only one.")

    remarks: list[str] = []
    ways = _ways_from_distances(distances, tape_std_m) if distances is not None else None
    path: _Ways | None = ways
    if path_difference is not None:
        path = _Ways(
            difference_m=parse_length_m(path_difference),
            difference_std_m=tape_std_m,
            level_db=None,
            level_std_db=0.0,
        )
        if ways is not None and abs(path.difference_m - ways.difference_m) > 4 * tape_std_m:
            raise UsageError(
                f"--distances differ by {100 * ways.difference_m:.1f} cm, but --path-difference says "
                f"{path_difference}; mend one, or leave it out."
            )
    elif spacing is not None:
        path = _ways_from_spacing(spacing, source_angle, source_distance, tape_std_m)
        if source_angle is None:
            remarks.append("No --source-angle: the source is taken to be at 90°, in line with the two mics.")
        ways = ways or path
    level_db, level_std_db = _level(level_difference, ways, remarks)
    delay_s, delay_std_s = _delay(delay, path, sound, sample_rate_hz)
    return CombGeometry(
        delay_ms=1000 * delay_s,
        delay_std_ms=1000 * delay_std_s,
        path_difference_std_m=None if delay is not None or path is None else path.difference_std_m,
        level_difference_db=level_db,
        level_difference_std_db=level_std_db,
        remarks=tuple(remarks),
    )


def sound_from(
    temperature: str | None, humidity: str | None, speed: str | None, temperature_std_c: float | None
) -> SoundSpeed:
    """Work out the speed of sound from exactly one description.

    Parameters
    ----------
    temperature, humidity : str or None
        Of the air, with their units; the usual room where left out.
    speed : str or None
        The speed itself.
    temperature_std_c : float or None
        Standard uncertainty of the temperature in °C.

    Raises
    ------
    UsageError
        If the air is described twice, or a value is malformed.
    """
    if speed is not None:
        if temperature is not None or humidity is not None:
            raise UsageError("Give --speed-of-sound or --temperature and --humidity, not both.")
        return given_speed(parse(speed, "speed"))
    return speed_of_sound(
        temperature_c=None if temperature is None else parse(temperature, "temperature"),
        humidity_percent=None if humidity is None else parse(humidity, "humidity"),
        temperature_std_c=temperature_std_c,
    )


def _delay(
    delay: str | None, path: _Ways | None, sound: SoundSpeed, sample_rate_hz: float
) -> tuple[float, float]:
    """Delay and its uncertainty, s; a delay that was given counts as exact."""
    if delay is not None or path is None:
        return parse_delay_s(delay or "", sample_rate_hz), 0.0
    speed = sound.speed_mps
    return (
        path.difference_m / speed,
        math.hypot(path.difference_std_m, path.difference_m * sound.std_mps / speed) / speed,
    )


def _level(level_difference: str | None, ways: _Ways | None, remarks: list[str]) -> tuple[float, float]:
    """Level difference and its uncertainty, dB."""
    if level_difference is not None:
        return parse(level_difference, "level"), LEVEL_STD_DB
    if ways is not None and ways.level_db is not None:
        return ways.level_db, ways.level_std_db
    remarks.append("No level difference given: both are taken to be equally loud, the worst case.")
    return 0.0, 0.0


def _ways_from_distances(distances: tuple[str, str], tape_std_m: float) -> _Ways:
    """Inverse-distance law: 20·log10(far/near)."""
    near, far = (parse_length_m(text) for text in distances)
    if min(near, far) <= 0:
        raise UsageError("--distances must both be above zero: a mic cannot stand in its source.")
    return _Ways(
        difference_m=abs(far - near),
        difference_std_m=math.sqrt(2) * tape_std_m,
        level_db=20 * math.log10(far / near),
        level_std_db=20 / math.log(10) * math.hypot(tape_std_m / near, tape_std_m / far),
    )


def _ways_from_spacing(spacing: str, angle: str | None, distance: str | None, tape_std_m: float) -> _Ways:
    """Two mics a spacing apart, the source at an angle from straight ahead; far away without a distance."""
    spacing_m = parse_length_m(spacing)
    angle_deg = 90.0 if angle is None else parse(angle, "angle")
    distance_m = None if distance is None else parse_length_m(distance)
    if distance_m is not None and distance_m <= spacing_m / 2:
        raise UsageError(
            f"--source-distance {distance} is not more than half the spacing: the source would stand between "
            "or in the mics; use --distances."
        )

    def difference(space_m: float, degrees: float, away_m: float | None) -> float:
        sine = math.sin(math.radians(degrees))
        if away_m is None:
            return abs(space_m * sine)
        near, far = _two_distances(space_m, sine, away_m)
        return abs(far - near)

    here = difference(spacing_m, angle_deg, distance_m)
    parts = [
        difference(spacing_m + tape_std_m, angle_deg, distance_m) - here,
        # Past 90° the difference shrinks again: the larger of both sides is the change.
        max(
            abs(difference(spacing_m, angle_deg + step, distance_m) - here)
            for step in (-_ANGLE_STD_DEG, _ANGLE_STD_DEG)
        ),
    ]
    level_db, level_std_db = None, 0.0
    if distance_m is not None:
        parts.append(difference(spacing_m, angle_deg, distance_m + tape_std_m) - here)
        near, far = _two_distances(spacing_m, math.sin(math.radians(angle_deg)), distance_m)
        level_db = 20 * math.log10(far / near)
        level_std_db = 20 / math.log(10) * math.hypot(*parts) / near
    return _Ways(
        difference_m=here, difference_std_m=math.hypot(*parts), level_db=level_db, level_std_db=level_std_db
    )


def _two_distances(spacing_m: float, sine: float, distance_m: float) -> tuple[float, float]:
    """Distances from a source to the nearer and the further mic (law of cosines)."""
    square, cross = distance_m**2 + spacing_m**2 / 4, abs(distance_m * spacing_m * sine)
    return math.sqrt(square - cross), math.sqrt(square + cross)
