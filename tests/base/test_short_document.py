"""Names as they are shown; common practice, no source: recorders put take, date and time behind each name."""

from polaritykit.base.short_document import with_short_names

TAIL = "_01-240612_1432"


def test_names_are_short_everywhere_but_in_paths():
    """As values, as keys, in sentences, also where one name begins with another."""
    names = [f"kick{TAIL}", f"kick in{TAIL}"]
    document = {
        "tracks": [{"name": name, "file": f"{name}.wav"} for name in names],
        "why": f"kick in{TAIL} hears kick{TAIL} 2 ms late.",
        "curves": {"tracks": dict.fromkeys(names, "A" * 5000)},
        "count": 2,
    }

    short = with_short_names(document, names)

    assert [track["name"] for track in short["tracks"]] == ["kick", "kick in"]
    assert [track["file"] for track in short["tracks"]] == [f"{name}.wav" for name in names]
    assert short["why"] == "kick in hears kick 2 ms late."
    assert set(short["curves"]["tracks"]) == {"kick", "kick in"}
    assert document["tracks"][0]["name"] == f"kick{TAIL}"


def test_other_names_leave_the_document_alone():
    """The very same object: nothing to shorten costs nothing."""
    document = {"tracks": [{"name": "near"}, {"name": "far"}]}

    assert with_short_names(document, ["near", "far"]) is document
