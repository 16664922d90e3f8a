"""A mic plan from TOML: strict reading, positions settled, everything checked before anything is predicted.

Conventions: metres; x to the right, y to the front, z up.  ``aim_deg`` is [to the right of the front,
upwards] in degrees.  Every fault is one sentence naming file, key and remedy.  The keys are described in
the README and shown by the templates (``polaritykit layout --template``).
"""

import math
import tomllib
from pathlib import Path
from typing import NamedTuple

import numpy as np

from polaritykit.base.errors import InputError
from polaritykit.base.file_names import shown
from polaritykit.jobs.comb.inputs import TAPE_STD_M
from polaritykit.jobs.layout.mic_patterns import PATTERNS
from polaritykit.jobs.layout.records import (
    Plan,
    PlanMic,
    PlanPoint,
    PlanSource,
    SolvedPoints,
    Surface,
    Tape,
    Vector,
    to_vector,
)
from polaritykit.jobs.layout.room import read_room
from polaritykit.jobs.layout.tape import solve_positions
from polaritykit.jobs.layout.toml_table import TomlTable

#: Nothing can be predicted for a mic nearer than this to the source's middle.
_MIN_DISTANCE_M = 0.01
#: Usual input impedance.
_INPUT_IMPEDANCE_OHM = 1500.0


class _Part(NamedTuple):
    """A source or mic as read, before its position is known."""

    table: TomlTable
    point: PlanPoint


def load_plan(path: Path) -> Plan:
    """Read a plan file.

    Parameters
    ----------
    path : Path
        TOML file, UTF-8.

    Returns
    -------
    Plan

    Raises
    ------
    InputError
        If the file cannot be read, or anything in it is missing, unknown, of the wrong type, out of
        range or contradictory.
    """
    try:
        if path.exists() and not (path.is_file() or path.is_dir()):
            raise InputError(f"{path}: cannot be read (a device or a pipe); give the path of a plan file.")
        text = path.read_text(encoding="utf-8-sig")
    except OSError as error:
        reason = (error.strerror or "unknown reason").lower()
        raise InputError(f"{path}: cannot be read ({reason}); give the path of a plan file.") from error
    except UnicodeDecodeError as error:
        raise InputError(f"{path}: is not a text file in UTF-8; save it as such.") from error
    return read_plan(text, shown(path.name))


def read_plan(text: str, file: str = "plan") -> Plan:
    """Read a plan from TOML text.

    Parameters
    ----------
    text : str
    file : str
        Name that stands in messages.

    Raises
    ------
    InputError
        As `load_plan`.

    Examples
    --------
    >>> plan = read_plan('''
    ... [[source]]
    ... name = "voice"
    ... position_m = [0, 1, 1.5]
    ... [[mic]]
    ... name = "main"
    ... position_m = [0, 0, "150 cm"]
    ... ''')
    >>> plan.mics[0].position_m
    (0.0, 0.0, 1.5)
    """
    try:
        values = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise InputError(f"{file}: is not valid TOML: {error}; mend that line.") from error
    except (ValueError, RecursionError) as error:  # thousands of digits, thousands of brackets
        raise InputError(f"{file}: is no plan: its numbers or brackets are without end.") from error
    top = TomlTable(values, file)
    title = top.text("title", Path(file).stem)
    tape_std_m = top.number("tape_uncertainty_m", "length", TAPE_STD_M, 1e-4, 1.0)
    sound, surfaces = read_room(top.table("room"), file)
    sources, mics = (tuple(_read_part(table) for table in top.tables(kind)) for kind in ("source", "mic"))
    _check_names(file, sources, mics)
    tapes = tuple(_read_tape(table, [part.point.name for part in sources + mics])
                  for table in top.tables("distance"))  # fmt: skip
    linked = tuple(_read_linked(table, [mic.point.name for mic in mics]) for table in top.tables("linked"))
    top.done()

    points = _solve(file, sources + mics, tapes, tape_std_m or TAPE_STD_M)
    _check_free(file, points, surfaces, mics)
    places = dict(zip(points.names, (to_vector(row) for row in points.positions_m), strict=True))
    plan = Plan(
        title=title,
        sound=sound,
        sources=tuple(_source(part, places) for part in sources),
        mics=tuple(_mic(part, places, tuple(source.point.name for source in sources)) for part in mics),
        surfaces=surfaces,
        linked=linked,
        tape_std_m=tape_std_m or TAPE_STD_M,
        points=points,
        remarks=points.remarks + _tape_remarks(points),
    )
    _check_places(file, plan)
    return plan


def _read_part(table: TomlTable) -> _Part:
    """Name and what is known of the place of one source or mic."""
    name = table.text("name")
    table.name_place(f"'{name}'")
    position = to_vector(table.vector("position_m")) if table.has("position_m") else None
    roughly = to_vector(table.vector("roughly_m")) if table.has("roughly_m") else None
    height = table.number("height_m", "length", None)
    if position is not None and (height is not None or roughly is not None):
        table.fault("position_m", "stands beside height_m or roughly_m; keep only one of them.")
    return _Part(table, PlanPoint(name=name, position_m=position, height_m=height, roughly_m=roughly))


def _check_names(file: str, sources: tuple[_Part, ...], mics: tuple[_Part, ...]) -> None:
    """At least one of each, no name twice."""
    for kind, parts in (("source", sources), ("mic", mics)):
        if not parts:
            raise InputError(f"{file}: {kind}: there is none; add [[{kind}]] with name and position_m.")
    names = [part.point.name for part in sources + mics]
    for name in names:
        if names.count(name) > 1:
            raise InputError(f"{file}: name: '{name}' is used twice; give every source and mic its own.")


def _read_tape(table: TomlTable, known: list[str]) -> Tape:
    a, b = table.names("between", 2)
    _check_known(table, "between", (a, b), known)
    length = table.needed_number("length_m", "length")
    if length <= 0:
        table.fault("length_m", f"is {length:g}; a distance between two points is above zero.")
    table.done()
    return Tape(a=a, b=b, length_m=length)


def _read_linked(table: TomlTable, known: list[str]) -> tuple[str, str]:
    a, b = table.names("mics", 2)
    _check_known(table, "mics", (a, b), known)
    table.done()
    return (a, b)


def _check_known(table: TomlTable, key: str, names: tuple[str, str], known: list[str]) -> None:
    for name in names:
        if name not in known:
            table.fault(key, f"'{name}' is not in the plan; known: {', '.join(known)}.")
    if names[0] == names[1]:
        table.fault(key, f"names '{names[0]}' twice; give two different ones.")


def _solve(file: str, parts: tuple[_Part, ...], tapes: tuple[Tape, ...], tape_std_m: float) -> SolvedPoints:
    """Positions of all points; a point with neither position nor tape is a plain omission."""
    measured = {name for tape in tapes for name in (tape.a, tape.b)}
    for part in parts:
        if part.point.position_m is None and part.point.name not in measured:
            part.table.fault(
                "position_m",
                "is missing; add position_m = [x, y, z] in metres, or [[distance]] entries to other points.",
            )
    try:
        return solve_positions(tuple(part.point for part in parts), tapes, tape_std_m)
    except InputError as error:
        raise InputError(f"{file}: distance: {error}") from error


def _check_free(
    file: str, points: SolvedPoints, surfaces: tuple[Surface, ...], mics: tuple[_Part, ...]
) -> None:
    """Planes and aims by angle need positions that cannot turn."""
    for surface in surfaces:
        if points.free_in_height if surface.name == "floor" else points.free_to_move:
            raise InputError(
                f"{file}: room.{surface.name}: the tape measures alone do not say where it is; give the "
                "position_m of three points" + (" or heights." if surface.name == "floor" else ".")
            )
    for mic in mics:
        key = "aim_deg" if mic.table.has("aim_deg") else "aim_at"
        if points.free_to_move and isinstance(mic.table.raw(key), list):
            mic.table.fault(key, "has no meaning where only tape measures are given; aim_at a name.")


def _source(part: _Part, places: dict[str, Vector]) -> PlanSource:
    radius = part.table.number("radius_m", "length", _MIN_DISTANCE_M, 0.0, 10.0)
    track = part.table.text("track") if part.table.has("track") else None
    part.table.done()
    return PlanSource(
        name=part.point.name,
        position_m=places[part.point.name],
        radius_m=max(radius or 0.0, _MIN_DISTANCE_M),
        track=track,
    )


def _other_side(table: TomlTable, sources: tuple[str, ...]) -> tuple[str, ...]:
    """Read the sources that the mic faces from their other side."""
    if not table.has("other_side_of"):
        return ()
    names = table.names("other_side_of")
    for name in names:
        if name not in sources:
            table.fault("other_side_of", f"'{name}' is not a source; known: {', '.join(sources)}.")
    return names


def _mic(part: _Part, places: dict[str, Vector], sources: tuple[str, ...]) -> PlanMic:
    table, name = part.table, part.point.name
    pattern = table.choice("pattern", tuple(PATTERNS), "omni")
    aim = _aim(table, name, places)
    if aim is None and pattern != "omni":
        table.fault("aim_at", f"is missing; a {pattern} needs aim_at = a name or [x, y, z], or aim_deg.")
    load = table.number("input_impedance_ohm", "impedance", _INPUT_IMPEDANCE_OHM, 1.0, 1e9)
    mic = PlanMic(
        name=name,
        position_m=places[name],
        pattern=pattern,
        aim=aim,
        pad_db=abs(table.number("pad_db", "level", 0.0, -60.0, 60.0) or 0.0),
        gain_db=table.number("gain_db", "level", 0.0, -100.0, 100.0) or 0.0,
        inverted=table.choice("polarity", ("same", "inverted"), "same") == "inverted",
        other_side_of=_other_side(table, sources),
        source_impedance_ohm=table.number("source_impedance_ohm", "impedance", None, 0.0, 1e6),
        input_impedance_ohm=load or _INPUT_IMPEDANCE_OHM,
        track=table.text("track", name),
    )
    table.done()
    return mic


def _aim(table: TomlTable, name: str, places: dict[str, Vector]) -> Vector | None:
    """Direction of the mic's front, or None where it is not given."""
    if table.has("aim_deg"):
        if table.has("aim_at"):
            table.fault("aim_deg", "stands beside aim_at; keep only one of them.")
        right, up = (math.radians(angle) for angle in table.vector("aim_deg", "angle", 2))
        return (math.sin(right) * math.cos(up), math.cos(right) * math.cos(up), math.sin(up))
    target = table.raw("aim_at")
    if target is None:
        return None
    if isinstance(target, str):
        if target not in places or target == name:
            others = ", ".join(place for place in places if place != name)
            table.fault("aim_at", f"'{target}' is not another point of the plan; known: {others}.")
        there = places[target]
    else:
        there = to_vector(table.vector("aim_at"))
    towards = np.subtract(there, places[name])
    length = float(np.linalg.norm(towards))
    if length < 1e-6:
        table.fault("aim_at", "is the mic's own position; aim at another point.")
    return to_vector(towards / length)


def _check_places(file: str, plan: Plan) -> None:
    """No mic inside a source, nothing behind a wall or under the floor."""
    for mic in plan.mics:
        for source in plan.sources:
            apart = math.dist(mic.position_m, source.position_m)
            if apart < source.radius_m:
                raise InputError(
                    f"{file}: '{mic.name}', position_m: lies inside the source '{source.name}' "
                    f"({100 * apart:.1f} cm from its middle, radius {100 * source.radius_m:.1f} cm); move "
                    "the mic out, or give the source a smaller radius_m."
                )
    for surface in plan.surfaces:
        for name, place in zip(plan.points.names, plan.points.positions_m, strict=True):
            if float(np.dot(place - surface.point_m, surface.normal)) < -1e-9:
                raise InputError(
                    f"{file}: '{name}', position_m: lies behind the {surface.name}; move it into the "
                    "room, or turn the wall's normal round."
                )


def _tape_remarks(points: SolvedPoints) -> tuple[str, ...]:
    names = [f"{fit.a} to {fit.b}" for fit in points.tapes if fit.suspect]
    if not names:
        return ()
    which = names[0] if len(names) == 1 else "one of " + ", ".join(names)
    return (f"The tape measures do not fit together; the one to measure again is {which}.",)
