"""Document of an archive to terminal text and CSV.

Conventions: reads the document only.
"""

from collections.abc import Iterator
from typing import Any

from polaritykit.base.types import Json
from polaritykit.jobs.archive.words import across_sentences, headline, session_words
from polaritykit.pages.text import table_csv

_MOST_SESSIONS = 10


def archive_text(document: Json) -> str:
    """Say what comes again and again, then the worst sessions."""
    lines = [headline(document), *across_sentences(document)]
    bad = [session for session in document["sessions"] if session["status"] == "failed" or session["flips"]]
    lines += [f"  {session['session']}: {session_words(session)}" for session in bad[:_MOST_SESSIONS]]
    if len(bad) > _MOST_SESSIONS:
        lines.append(f"  and {len(bad) - _MOST_SESSIONS} more in the page")
    return "\n".join(lines)


def archive_tables(document: Json) -> Iterator[tuple[str, str]]:
    """Yield name and content of one CSV each of all tracks, pairs and faults."""
    sessions = document["sessions"]
    track = ("name", "invert", "flip_reason", "shift_ms", "status")
    yield (
        "tracks.csv",
        table_csv(
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
        table_csv(
            ("session", *pair),
            ([one["session"], *(item[key] for key in pair)] for one in sessions for item in one["pairs"]),
        ),
    )
    yield (
        "faults.csv",
        table_csv(
            ("session", "track", "fault"),
            [
                *([one["session"], "", one["reason"]] for one in sessions if one["status"] == "failed"),
                *(
                    [one["session"], item["name"], fault]
                    for one in sessions
                    for item in one["tracks"]
                    for fault in item["faults"]
                ),
            ],
        ),
    )


def _cell(value: Any) -> Any:
    return str(value).lower() if isinstance(value, bool) else value
