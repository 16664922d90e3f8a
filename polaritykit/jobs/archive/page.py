"""Document of an archive to its index page: what comes again, then every session, the worst first.

Conventions: reads the document only; links are relative to the archive's folder.
"""

from itertools import islice
from typing import Any
from urllib.parse import quote

from polaritykit.base.types import Json
from polaritykit.jobs.archive.words import across_sentences, headline, session_words
from polaritykit.levels.faults import fault_words
from polaritykit.pages.page import render

#: More are no help to who reads, and slow in a browser; the tables hold them all.
_MOST_ROWS = 10_000


def archive_page(document: Json) -> str:
    """Render the index of an archive.

    Parameters
    ----------
    document : dict
        The document of `polaritykit archive`.

    Returns
    -------
    str
        One self-contained page; the sessions' reports lie beside it.
    """
    sessions = document["sessions"]
    return render(
        "archive.html",
        scripts=("archive.js",),
        document=document,
        headline=headline(document),
        sentences=[*across_sentences(document)],
        rows=map(_row, islice(sessions, _MOST_ROWS)),
        left=max(0, len(sessions) - _MOST_ROWS),
        minutes=round(document["counts"]["duration_s"] / 60),
    )


def _row(session: Json) -> dict[str, Any]:
    names = [track["name"] for track in session["tracks"]]
    return {
        "session": session["session"],
        "link": f"{quote(session['report'])}/report.html" if session["report"] else None,
        "words": session_words(session),
        "failed": session["status"] == "failed",
        "flips": ", ".join(track["name"] for track in session["tracks"] if track["invert"]),
        "faults": ", ".join(
            f"{track['name']}: {', '.join(fault_words(fault) for fault in track['faults'])}"
            for track in session["tracks"]
            if track["faults"]
        ),
        "unclear": session["unclear"],
        "finds": " ".join([session["session"], *names]).casefold(),
    }
