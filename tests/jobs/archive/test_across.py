"""Plain counts over made-up sessions whose truth is known."""

import pytest
from archive_parts import pair, record, request, track

from polaritykit.jobs.archive.across import across


def sessions(*tracks_of):
    """One record for each list of tracks."""
    return [record(request(f"s{number}"), tracks=tracks) for number, tracks in enumerate(tracks_of)]


def test_a_name_inverted_in_most_sessions_is_told_with_them():
    """Case and leading numbers aside; once is chance, and a mic under a drum is no cable."""
    under = track("snare bottom", invert=True, flip_reason="underside")
    found = across(
        sessions(
            [track("07 OH R", invert=True), track("kick"), under],
            [track("oh r", invert=True), track("kick", invert=True), under],
            [track("08 oh R"), track("kick")],
        )
    )

    assert [(item.name, item.sessions, item.inverted) for item in found.inverted] == [
        ("oh r", 3, ("s0", "s1"))
    ]


def test_a_channel_that_clips_again():
    """Twice at least."""
    found = across(
        sessions(
            [track("kick", faults=["clipped"]), track("snare", faults=["clipped"])],
            [track("kick", faults=["hum", "clipped"]), track("snare", faults=["hum"])],
        )
    )

    assert [(item.name, item.sessions, item.clipped) for item in found.clipping] == [
        ("kick", 2, ("s0", "s1"))
    ]


def test_a_pair_that_wandered():
    """Beyond its own uncertainty; the order of the two in a session does not matter."""
    pairs = [
        pair("snare", "oh l", 2.0),
        pair("oh l", "snare", -2.02),
        pair("snare", "oh l", 2.9),
        pair("oh l", "snare", -2.01),
    ]
    records = [record(request(f"s{number}"), pairs=[item]) for number, item in enumerate(pairs)]
    found = across(records).wandering

    assert [(item.reference, item.other, item.sessions) for item in found] == [("oh l", "snare", 4)]
    assert found[0].median_ms == pytest.approx(-2.015)
    assert found[0].elsewhere == (("s2", -2.9),)


def test_a_pair_nobody_timed_well_has_not_wandered():
    """Three standard uncertainties and a tenth of a millisecond."""
    records = [
        record(request(f"s{number}"), pairs=[pair("a", "b", offset, std_ms=0.3)])
        for number, offset in enumerate([1.0, 1.0, 1.9, 1.0])
    ]

    assert across(records).wandering == ()
