"""Document of an archive to terminal text and CSV.

Conventions: reads the document only.
"""

from collections.abc import Iterable, Iterator
from itertools import islice
from typing import Any

from polaritykit.base.types import Json
from polaritykit.jobs.archive.words import across_sentences, headline, session_words
from polaritykit.pages.text import csv_lines

_MOST_SESSIONS = 10


def archive_text(document: Json) -> str:
    """Say what comes again and again, then the worst sessions."""
    lines = [headline(document), *across_sentences(document)]
    counts = document["counts"]
    bad = (session for session in document["sessions"] if session["status"] == "failed" or session["flips"])
    lines += [f"  {session['session']}: {session_words(session)}" for session in islice(bad, _MOST_SESSIONS)]
    more = counts["failed"] + counts["need_a_flip"] - _MOST_SESSIONS
    if more > 0:
        lines.append(f"  and {more} more in the page")
    return "\n".join(lines)


def archive_tables(document: Json) -> Iterator[tuple[str, Iterator[str]]]:
    """Yield name and lines of one CSV each of all tracks, pairs and faults."""
    sessions = document["sessions"]
    track = ("name", "invert", "flip_reason", "shift_ms", "status")
    yield (
        "tracks.csv",
        csv_lines(
            ("session", *track),
            (
                [one["session"], *(_cell(item[key]) for key in track)]
                for one in sessions
                for item in one["tracks"]
            ),
        ),
    )
    pair = ("reference", "other", "polarity", "confidence", "offset_ms", "offset_std_ms")
    yield (
        "pairs.csv",
        csv_lines(
            ("session", *pair),
            ([one["session"], *(item[key] for key in pair)] for one in sessions for item in one["pairs"]),
        ),
    )
    yield ("faults.csv", csv_lines(("session", "track", "fault"), _faults(sessions)))


def _faults(sessions: Iterable[Json]) -> Iterator[list[str]]:
    """Rows of what is wrong: of a session that failed its reason."""
    for one in sessions:
        if one["status"] == "failed":
            yield [one["session"], "", one["reason"]]
        for item in one["tracks"]:
            yield from ([one["session"], item["name"], fault] for fault in item["faults"])


def _cell(value: Any) -> Any:
    return str(value).lower() if isinstance(value, bool) else value
