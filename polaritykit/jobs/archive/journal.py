"""The records of an archive, one line each in the order in which sessions were done.

Conventions: lines are only added, and whole ones count; of several for one session the last.
"""

import json
import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict
from pathlib import Path
from typing import Protocol

from polaritykit.base.errors import OutputError, UsageError
from polaritykit.base.file_names import shown
from polaritykit.base.validate import converted
from polaritykit.base.whole_files import write_file
from polaritykit.jobs.archive.records import Request, SessionRecord

#: Also what tells an archive's folder from any other.
JOURNAL = "archive.jsonl"


class Add(Protocol):
    """Adds one record."""

    def __call__(self, record: SessionRecord) -> None:
        """Write it, for good."""


def check_archive_folder(out: Path, root: Path) -> None:
    """Refuse a folder that is no archive, or that lies where sessions are read.

    Raises
    ------
    UsageError
        Naming what is in the way.
    """
    place, source = out.resolve(), root.resolve()
    if place == source or place.is_relative_to(source):
        raise UsageError(
            f"The archive {shown(out)} lies in {shown(root)}, which is read; choose one outside."
        )
    if source.is_relative_to(place):
        raise UsageError(f"The archive {shown(out)} holds {shown(root)}, which is read; choose another.")
    if out.exists() and not out.is_dir():
        raise UsageError(f"{shown(out)} exists and is no folder; choose another name.")
    if out.is_dir() and any(out.iterdir()) and not (out / JOURNAL).is_file():
        raise UsageError(f"The folder {shown(out)} holds something else than an archive; choose another.")
    if not place.parent.is_dir():
        raise UsageError(
            f"The folder {shown(place.parent)} does not exist; make it, or choose another place."
        )


def read_journal(out: Path) -> dict[str, SessionRecord]:
    """Read all whole records, by session; the line that a kill cut off is passed over."""
    records: dict[str, SessionRecord] = {}
    path = out / JOURNAL
    if not path.is_file():
        return records
    with path.open("rb") as file:
        for line in file:
            try:
                record = converted(json.loads(line), SessionRecord)
            except ValueError:
                continue
            records[record.session] = record
    return records


def still_holds(record: SessionRecord, request: Request) -> bool:
    """Whether a record is what checking again would give: same files, same program, same options.

    A failure is tried again; a report that is gone is made again.
    """
    then = [(stamp.file, stamp.size_bytes, stamp.modified_ns) for stamp in record.files]
    now = [(stamp.file, stamp.size_bytes, stamp.modified_ns) for stamp in request.files]
    return (
        record.status == "checked"
        and record.made_by == request.made_by
        and then == now
        and (Path(request.report) / "report.json").is_file()
    )


@contextmanager
def journal(out: Path, kept: dict[str, SessionRecord]) -> Iterator[Add]:
    """Begin the journal anew with what is kept, and give the function that adds to it.

    Parameters
    ----------
    out : Path
        Folder of the archive, made where it is missing.
    kept : dict
        Records that still hold.

    Raises
    ------
    OutputError
        A record cannot be written.
    """
    out.mkdir(exist_ok=True)
    write_file(out / JOURNAL, "".join(_line(record) for record in kept.values()))
    with (out / JOURNAL).open("a", encoding="ascii", newline="\n") as file:

        def add(record: SessionRecord) -> None:
            try:
                file.write(_line(record))
                file.flush()
                os.fsync(file.fileno())
            except OSError as error:
                reason = (error.strerror or "unknown reason").lower()
                raise OutputError(
                    f"{shown(out / JOURNAL)} could not be written ({reason}); what is in it stays."
                ) from error

        yield add


def _line(record: SessionRecord) -> str:
    # ASCII escapes: a name in any bytes comes back as it was.
    return json.dumps(asdict(record), allow_nan=False) + "\n"
