"""Reading plans: every fault is one sentence naming file, key and remedy."""

import itertools
import math

import pytest

from polaritykit.base.errors import InputError
from polaritykit.jobs.comb.inputs import TAPE_STD_M
from polaritykit.jobs.layout.plan_file import load_plan, read_plan

GOOD = """
title = "Take one"
[room]
temperature_c = 22
[[source]]
name = "snare"
position_m = [0, 0, 0.7]
[[mic]]
name = "top"
position_m = ["10 cm", 0, 0.8]
pattern = "cardioid"
aim_at = "snare"
[[mic]]
name = "over"
position_m = [0, 0, 1.7]
"""


def test_a_good_plan():
    """What is written is what is had; what is left out has its usual value."""
    plan = read_plan(GOOD)
    top, over = plan.mics

    assert plan.title == "Take one"
    assert plan.sound.temperature_c == 22
    assert top.position_m == (0.1, 0.0, 0.8)
    assert top.aim == pytest.approx((-math.sqrt(0.5), 0, -math.sqrt(0.5)))
    assert (over.pattern, over.aim, over.inverted, over.pad_db) == ("omni", None, False, 0.0)
    assert over.input_impedance_ohm == 1500
    assert plan.tape_std_m == TAPE_STD_M == 0.01
    assert plan.surfaces == ()


def test_aim_by_angle():
    """[to the right of the front, upwards]: 90° is +x, 90° up is +z."""
    text = GOOD.replace('aim_at = "snare"', "aim_deg = [90, 0]")
    assert read_plan(text).mics[0].aim == pytest.approx((1, 0, 0))
    text = GOOD.replace('aim_at = "snare"', 'aim_deg = [0, "90 deg"]')
    assert read_plan(text).mics[0].aim == pytest.approx((0, 0, 1))


def test_positions_by_tape():
    """A mic given by height and three tapes stands where they meet."""
    text = """
    [[source]]
    name = "a"
    position_m = [0, 0, 0]
    [[source]]
    name = "b"
    position_m = [2, 0, 0]
    [[source]]
    name = "c"
    position_m = [0, 2, 0]
    [[mic]]
    name = "m"
    height_m = "1 m"
    """ + "".join(
        f'[[distance]]\nbetween = ["{name}", "m"]\nlength_m = {math.dist(place, (0.5, 0.7, 1.0))}\n'
        for name, place in {"a": (0, 0, 0), "b": (2, 0, 0), "c": (0, 2, 0)}.items()
    )
    plan = read_plan(text)

    assert plan.mics[0].position_m == pytest.approx((0.5, 0.7, 1.0), abs=1e-6)
    assert max(abs(fit.residual_m) for fit in plan.points.tapes) < 1e-6


MIC = '[[mic]]\nname = "x"\n'
#: What is changed in the good plan, and words of the message: where, and what to do.
FAULTS = [
    ("title", "title =", "titel =", "titel: is not a key of a plan here; did you mean 'title'"),
    ("toml", "[room]", "[room", "is not valid TOML"),
    ("room type", "[room]\ntemperature_c = 22", "room = 3", "room must be a table"),
    ("text for number", "= 22", '= "warm"', "room, temperature_c: 'warm' is not a temperature"),
    ("flag for number", "= 22", "= true", "temperature_c: must be a number .*, not true or false"),
    ("too hot", "= 22", "= 222", "room: A temperature of 222 °C is outside"),
    ("nan", "= 22", "= nan", "temperature_c: is not a finite number"),
    ("both", "= 22", "= 22\nspeed_of_sound_mps = 343", "speed_of_sound_mps: stands beside a temperature"),
    ("missing name", 'name = "top"\n', "", "mic 1, name: is missing"),
    ("empty name", 'name = "top"', 'name = " "', "mic 1, name: is empty"),
    ("number name", 'name = "top"', "name = 3", "mic 1, name: must be a text in quotes, not a number"),
    ("control", 'name = "top"', 'name = "a\\u001b[2J"', "mic 1, name: holds control characters"),
    ("duplicate", 'name = "over"', 'name = "top"', "name: 'top' is used twice"),
    ("missing position", "position_m = [0, 0, 1.7]", "", "'over', position_m: is missing; add position_m"),
    ("short position", "[0, 0, 1.7]", "[0, 1.7]",
     "'over', position_m: must be a list of 3 numbers, not a list of 2"),
    ("wrong unit", '"10 cm"', '"10 ms"', "'top', position_m: '10 ms': 'ms' is not a unit of length"),
    ("no unit", '"10 cm"', '"10"', "'top', position_m: '10' has no unit"),
    ("pattern", '"cardioid"', '"cardoid"',
     "'top', pattern: 'cardoid' is not one of .*did you mean 'cardioid'"),
    ("no aim", 'aim_at = "snare"', "", "'top', aim_at: is missing; a cardioid needs"),
    ("aim unknown", '"snare"\n[[mic', '"snar"\n[[mic', "'top', aim_at: 'snar' is not another point"),
    ("aim self", '"snare"\n[[mic', '"top"\n[[mic', "'top', aim_at: 'top' is not another point"),
    ("aim here", '"snare"\n[[mic', "[0.1, 0, 0.8]\n[[mic", "aim_at: is the mic's own position"),
    ("aim twice", 'aim_at = "snare"', 'aim_at = "snare"\naim_deg = [0, 0]', "aim_deg: stands beside aim_at"),
    ("inside", "[0, 0, 1.7]", "[0, 0, 0.705]",
     "'over', position_m: lies inside the source 'snare' .*move the mic"),
    ("single table", "[[source]]", "[source]", r"source: must be written as \[\[source\]\]"),
    ("no source", "[[source]]", "[[mic]]", "source: there is none; add"),
    ("floor", "[room]", "[room.floor]\nheight_m = 1\n[room]", "'snare', position_m: lies behind the floor"),
    ("wall", "[room]", "[room.wall]\npoint_m = [0,0,0]\nnormal = [0,0,0]\n[room]",
     "room.wall, normal: has no direct"),
    ("reflection", "[room]", "[room.floor]\nreflection = 2\n[room]",
     "room.floor, reflection: is 2; it must be between"),
    ("polarity", 'name = "over"', 'name = "over"\npolarity = "flipped"',
     "'over', polarity: 'flipped' is not one of"),
    ("impedance", 'name = "over"', 'name = "over"\ninput_impedance_ohm = 0',
     "input_impedance_ohm: is 0; it must"),
    ("other side", 'name = "over"', 'name = "over"\nother_side_of = ["kick"]',
     "'kick' is not a source; known: snare"),
    ("height too", 'name = "over"', 'name = "over"\nheight_m = 1',
     "'over', position_m: stands beside height_m"),
]  # fmt: skip


@pytest.mark.parametrize(
    ("old", "new", "message"), [fault[1:] for fault in FAULTS], ids=[f[0] for f in FAULTS]
)
def test_faults(old, new, message):
    """One sentence: file, key, what is wrong, what to do."""
    assert old in GOOD
    with pytest.raises(InputError, match=message) as caught:
        read_plan(GOOD.replace(old, new), "kit.toml")

    assert str(caught.value).startswith("kit.toml:")
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("more", "message"),
    [
        ('[[distance]]\nbetween = ["top", "tom"]\nlength_m = 1', "'tom' is not in the plan"),
        ('[[distance]]\nbetween = ["top", "top"]\nlength_m = 1', "names 'top' twice"),
        ('[[distance]]\nbetween = ["top"]\nlength_m = 1', "must be a list of 2 names"),
        ('[[distance]]\nbetween = ["top", "over"]', "length_m: is missing"),
        ('[[distance]]\nbetween = ["top", "over"]\nlength_m = -1', "is -1; a distance between two points"),
        ('[[distance]]\nbetween = ["top", "over"]\nlength_m = "1"', "has no unit"),
        ('[[linked]]\nmics = ["top", "snare"]', "'snare' is not in the plan"),
        ('[[linked]]\nmics = ["top", "over"]\nkind = 1', "kind: is not a key"),
        (MIC + '[[distance]]\nbetween = ["x", "top"]\nlength_m = 1', "leave 'x' free to move"),
    ],
)
def test_faults_of_tapes_and_links(more, message):
    """As above, for what is added at the end."""
    with pytest.raises(InputError, match=message) as caught:
        read_plan(GOOD + more, "kit.toml")

    assert str(caught.value).startswith("kit.toml:")


def test_a_floor_needs_heights():
    """Tapes alone do not say where the floor is; with heights they do."""
    tapes = ""
    places = {"s": (0, 0, 1), "a": (1, 0.2, 0.5), "b": (0.3, 1.1, 1.5), "c": (-0.8, 0.7, 0.8)}
    for (p, here), (q, there) in itertools.combinations(places.items(), 2):
        tapes += f'[[distance]]\nbetween = ["{p}", "{q}"]\nlength_m = {math.dist(here, there)}\n'
    floor = "[room.floor]\n"

    def text(*, heights):
        parts = floor
        for name, place in places.items():
            parts += f'[[{"source" if name == "s" else "mic"}]]\nname = "{name}"\n'
            parts += f"height_m = {place[2]}\n" if heights else ""
        return parts + tapes

    with pytest.raises(InputError, match=r"room.floor: the tape measures alone do not say where it is"):
        read_plan(text(heights=False))
    assert read_plan(text(heights=True)).surfaces[0].name == "floor"


def test_files_that_cannot_be_read(tmp_path):
    """Missing, a folder, or not text."""
    with pytest.raises(InputError, match=r"none.toml: cannot be read \(no such file"):
        load_plan(tmp_path / "none.toml")
    with pytest.raises(InputError, match="cannot be read"):
        load_plan(tmp_path)
    (tmp_path / "b.toml").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(InputError, match="not a text file"):
        load_plan(tmp_path / "b.toml")
