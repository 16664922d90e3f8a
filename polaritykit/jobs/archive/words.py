"""Sentences on an archive, for terminal and page."""

from collections.abc import Iterator

from polaritykit.base.types import Json
from polaritykit.base.wording import listed, number, plural

_MOST_NAMED = 3


def headline(document: Json) -> str:
    """Say how many sessions, and how many need a flip."""
    counts = document["counts"]
    if not counts["sessions"]:
        return "No session was found."
    needing = counts["need_a_flip"]
    said = f"{needing} of {plural(counts['checked'], 'session')} {'needs' if needing == 1 else 'need'} a flip"
    return f"{said}; {counts['failed']} could not be checked." if counts["failed"] else f"{said}."


def across_sentences(document: Json) -> Iterator[str]:
    """Say what comes again and again, each with the sessions it is from."""
    found = document["across"]
    for item in found["inverted"]:
        yield (
            f"{item['name']} is inverted in {len(item['inverted'])} of {item['sessions']} sessions: look at "
            f"its cable, its adapter and its channel ({_some(item['inverted'])})."
        )
    for item in found["clipping"]:
        yield (
            f"{item['name']} is clipped in {len(item['clipped'])} of {item['sessions']} sessions: turn its "
            f"gain down, or look at its converter ({_some(item['clipped'])})."
        )
    for item in found["wandering"]:
        median = number(item["median_ms"], 2, signed=True)
        moved = [f"{session}: {number(offset, 2, signed=True)} ms" for session, offset in item["elsewhere"]]
        yield (
            f"{item['other']} against {item['reference']} is {median} ms in most of "
            f"{item['sessions']} sessions, but not in {plural(len(moved), 'session')} ({_some(moved)})."
        )


def _some(names: list[str]) -> str:
    return listed(names, _MOST_NAMED)


def session_words(session: Json) -> str:
    """Say of one session what its report says first."""
    words: str = session["reason"] if session["status"] == "failed" else session["headline"]
    return words
