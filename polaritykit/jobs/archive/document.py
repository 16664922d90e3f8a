"""Records of an archive to its document."""

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from polaritykit.base.file_names import shown
from polaritykit.base.types import Json
from polaritykit.base.validate import written
from polaritykit.jobs.archive.findings import Across
from polaritykit.jobs.archive.records import SessionRecord
from polaritykit.jobs.archive.schema import ArchiveDocument
from polaritykit.pages.head import head, now


def archive_document(root: str, records: Sequence[SessionRecord], found: Across, *, kept: int) -> Json:
    """Make the document of an archive.

    Parameters
    ----------
    root : str
        As it was named.
    records : sequence of SessionRecord
    found : Across
    kept : int
        How many records were taken up from an earlier run.
    """
    checked = [record for record in records if record.status == "checked"]
    document = {
        **head("archive"),
        "created": now(),
        "root": root,
        "counts": {
            "sessions": len(records),
            "checked": len(checked),
            "failed": len(records) - len(checked),
            "kept": kept,
            "flips": sum(record.flips for record in records),
            "duration_s": sum(record.duration_s for record in records),
        },
        "across": asdict(found),
        "sessions": [asdict(record) for record in sorted(records, key=_badness)],
    }
    return written(_in_text(document), ArchiveDocument)


def _badness(record: SessionRecord) -> tuple[bool, int, int, int, str]:
    faults = sum(bool(track.faults) for track in record.tracks)
    return (record.status == "checked", -record.flips, -faults, -record.unclear, record.session)


def _in_text(value: Any) -> Any:
    """Names in bytes that are no text, with escapes."""
    if isinstance(value, str):
        return shown(value)
    if isinstance(value, dict):
        return {key: _in_text(item) for key, item in value.items()}
    return [_in_text(item) for item in value] if isinstance(value, list | tuple) else value
