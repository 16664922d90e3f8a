"""Records of an archive to its document.

Conventions: the sessions of the document are made anew from their records whenever they are asked for, so
that thousands of them need not fit into memory.
"""

import json
from collections.abc import Iterable, Iterator
from dataclasses import asdict, dataclass
from typing import Any

from polaritykit.base.file_names import shown
from polaritykit.base.types import Json
from polaritykit.base.validate import plain, written
from polaritykit.jobs.archive.findings import Across
from polaritykit.jobs.archive.records import SessionRecord
from polaritykit.jobs.archive.schema import ArchiveDocument
from polaritykit.pages.head import head, now


@dataclass(frozen=True, kw_only=True)
class Sessions:
    """Sessions of the document, one by one as JSON holds them."""

    records: Iterable[SessionRecord]
    number: int

    def __iter__(self) -> Iterator[Json]:
        """Make each from its record."""
        return (_in_text(plain(record)) for record in self.records)

    def __len__(self) -> int:
        return self.number


def archive_document(root: str, records: Iterable[SessionRecord], found: Across, *, kept: int) -> Json:
    """Make the document of an archive.

    Parameters
    ----------
    root : str
        As it was named.
    records : iterable of SessionRecord
        In the order of `badness`; read again whenever the document's ``sessions`` are.
    found : Across
    kept : int
        How many records were taken up from an earlier run.

    Returns
    -------
    dict
        The document, its ``sessions`` a `Sessions`.
    """
    counts = {"sessions": 0, "checked": 0, "failed": 0, "kept": kept, "need_a_flip": 0, "flips": 0}
    duration_s = 0.0
    for record in records:
        counts["sessions"] += 1
        counts[record.status] += 1
        counts["need_a_flip"] += record.flips > 0
        counts["flips"] += record.flips
        duration_s += record.duration_s
    document = {
        **head("archive"),
        "created": now(),
        "root": root,
        "counts": {**counts, "duration_s": duration_s},
        "across": asdict(found),
        "sessions": [],
    }
    return {
        **written(_in_text(document), ArchiveDocument),
        "sessions": Sessions(records=records, number=counts["sessions"]),
    }


def badness(record: SessionRecord) -> tuple[bool, int, int, int, str]:
    """Return what to sort records by, the worst first.

    Parameters
    ----------
    record : SessionRecord
    """
    faults = sum(bool(track.faults) for track in record.tracks)
    return (record.status == "checked", -record.flips, -faults, -record.unclear, record.session)


def archive_json(document: Json) -> Iterator[str]:
    """Yield the document as JSON text, session by session.

    Parameters
    ----------
    document : dict
        As `archive_document` made it; ``sessions`` is its last field.
    """
    first = json.dumps({**document, "sessions": []}, allow_nan=False, ensure_ascii=False)
    yield first.removesuffix("]}")
    between = ""
    for session in document["sessions"]:
        yield between + json.dumps(session, allow_nan=False, ensure_ascii=False)
        between = ", "
    yield "]}"


def _in_text(value: Any) -> Any:
    """Names in bytes that are no text, with escapes."""
    if isinstance(value, str):
        return shown(value)
    if isinstance(value, dict):
        return {key: _in_text(item) for key, item in value.items()}
    return [_in_text(item) for item in value] if isinstance(value, list | tuple) else value
