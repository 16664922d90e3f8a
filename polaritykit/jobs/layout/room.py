"""The ``[room]`` of a mic plan: the air, and the planes that reflect.

Conventions: as in `polaritykit.jobs.layout.plan_file`.
"""

import numpy as np

from polaritykit.base.air import SoundSpeed, given_speed, speed_of_sound
from polaritykit.base.errors import InputError, UsageError
from polaritykit.jobs.layout.records import Surface, Vector, to_vector
from polaritykit.jobs.layout.toml_table import TomlTable


def read_room(table: TomlTable | None, file: str) -> tuple[SoundSpeed, tuple[Surface, ...]]:
    """Read speed of sound and reflecting planes; usual air and no plane without a table."""
    if table is None:
        return speed_of_sound(), ()
    try:
        given = table.number("speed_of_sound_mps", "speed", None)
        temperature = table.number("temperature_c", "temperature", None)
        humidity = table.number("humidity_percent", "humidity", None)
        std = table.number("temperature_uncertainty_c", None, None, 0.0, 20.0)
        if given is not None and (temperature is not None or humidity is not None):
            table.fault("speed_of_sound_mps", "stands beside a temperature or humidity; remove one of them.")
        sound = (
            given_speed(given)
            if given is not None
            else speed_of_sound(temperature_c=temperature, humidity_percent=humidity, temperature_std_c=std)
        )
    except UsageError as error:
        raise InputError(f"{file}: room: {error}") from error
    surfaces = []
    floor, wall = table.table("floor"), table.table("wall")
    if floor is not None:
        height = floor.number("height_m", "length", 0.0) or 0.0
        surfaces.append(_surface(floor, "floor", (0.0, 0.0, height), (0.0, 0.0, 1.0)))
    if wall is not None:
        surfaces.append(_surface(wall, "wall", to_vector(wall.vector("point_m")), _unit(wall, "normal")))
    table.done()
    return sound, tuple(surfaces)


def _surface(table: TomlTable, name: str, point_m: Vector, normal: Vector) -> Surface:
    reflection = table.number("reflection", None, 1.0, 0.0, 1.0)
    table.done()
    return Surface(
        name=name, point_m=point_m, normal=normal, reflection=1.0 if reflection is None else reflection
    )


def _unit(table: TomlTable, key: str) -> Vector:
    """Return a direction, made of length one."""
    vector = np.array(table.vector(key))
    length = float(np.linalg.norm(vector))
    if length < 1e-9:
        table.fault(key, "has no direction; give a vector that is not zero.")
    return to_vector(vector / length)
