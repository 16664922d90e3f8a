"""What track names tell by trade habit ("common practice, no source"): examples both ways."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from polaritykit.base.track_names import is_overhead, is_room, linked_pairs, short_names


@pytest.mark.parametrize(
    ("left", "right"),
    [
        ("oh_left", "oh_right"),
        ("OH L", "OH R"),
        ("07 overhead-L", "08 overhead-R"),
        ("room.L", "room.R"),
        ("Overheads (Left)", "Overheads (Right)"),
        ("piano links", "piano rechts"),
    ],
)
def test_sides_of_one_thing_are_linked(left, right):
    """Whatever stands between them in the session, and in either order, left comes first."""
    assert linked_pairs([right, "kick", left]) == ((left, right),)


@pytest.mark.parametrize(
    ("one", "two"),
    [
        ("bell", "bear"),
        ("vocal", "guitar"),
        ("oh_left", "room_right"),
        ("oh_left", "oh_left_2"),
        ("snare", "snare r"),
        ("tom_1", "tom_2"),
        ("oh_left", "oh R"),
    ],
)
def test_other_names_are_not_linked(one, two):
    """A letter at a word's end is no side; one side alone is no pair; words and letters do not mix."""
    assert linked_pairs([one, two]) == ()


@pytest.mark.parametrize("name", ["OH", "oh_left", "07_overhead_right", "Overheads.L", "drum overs", "OH-R"])
def test_overheads(name):
    """Names that say so."""
    assert is_overhead(name)


@pytest.mark.parametrize("name", ["john", "hoover", "cover", "kick", "choh", "overture", "room"])
def test_no_overheads(name):
    """Letters inside other words."""
    assert not is_overhead(name)


@pytest.mark.parametrize("name", ["room", "09_room_L", "amb far", "Hall.R", "ambience", "drum rooms"])
def test_rooms(name):
    """Names that say so."""
    assert is_room(name)


@pytest.mark.parametrize("name", ["mushroom", "lamb", "challenge", "farfisa", "overhead"])
def test_no_rooms(name):
    """Letters inside other words."""
    assert not is_room(name)


@pytest.mark.parametrize(
    ("names", "short"),
    [
        (["kick_01-240612_1432", "snare top_01-240612_1432"], ["kick", "snare top"]),
        (["240612 T3 vox", "240612 T3 gtr"], ["vox", "gtr"]),
        (["my_bd_t1", "my_sd_t1", "my_oh l_t1", "my_oh r_t1"], ["bd", "sd", "oh l", "oh r"]),
        (["02 kick.dup1", "02 kick"], ["kick.dup1", "kick"]),
    ],
)
def test_what_all_names_share_is_left_out(names, short):
    """Takes and dates behind, numbers and the song before."""
    assert short_names(names) == tuple(short)


@pytest.mark.parametrize(
    "names",
    [
        ["snare_top", "snare_bottom"],
        ["track 1", "track 2", "track 3", "track 4"],
        ["a_1", "a_1"],
        ["kick_01", "snare_02"],
        ["only_one_01"],
        [],
    ],
)
def test_names_that_would_lose_something_stay(names):
    """A drum's name, the only letters, what tells two apart."""
    assert short_names(names) == tuple(names)


@given(st.lists(st.text(alphabet="ab1 _-.", max_size=9), max_size=6, unique=True))
def test_short_names_stay_apart(names):
    """Whatever the names."""
    short = short_names(names)

    assert len(set(short)) == len(names)
    assert all(few in name for few, name in zip(short, names, strict=True))


@pytest.mark.parametrize(
    ("left", "right"),
    [
        ("OH L_01-240612_1432", "OH R_01-240612_1432"),
        ("oh_left_03", "oh_right_04"),
        ("OH L.dup1", "OH R.dup1"),
    ],
)
def test_sides_are_seen_before_takes_and_copies(left, right):
    """What a recorder writes behind a name hides no side."""
    assert linked_pairs(["kick_01-240612_1432", right, left]) == ((left, right),)
