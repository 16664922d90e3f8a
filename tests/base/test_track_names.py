"""What track names tell by trade habit ("common practice, no source"): examples both ways."""

import pytest

from polaritykit.base.track_names import is_overhead, is_room, linked_pairs


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
