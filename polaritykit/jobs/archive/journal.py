"""The records of an archive, one line each in the order in which sessions were done.

Conventions: lines are only added, and whole ones count; of several for one session the last.
"""

import json
import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, BinaryIO, Protocol

from polaritykit.base.errors import OutputError, UsageError
from polaritykit.base.file_names import shown
from polaritykit.base.validate import decoded
from polaritykit.base.whole_files import write_parts
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


@dataclass(frozen=True, kw_only=True)
class StoredRecords:
    """Records that stay in the journal: read one at a time whenever they are asked for."""

    out: Path
    #: Where the lines begin, bytes, in the order in which the records are told.
    starts: tuple[int, ...]

    def __iter__(self) -> Iterator[SessionRecord]:
        """Read each record; its line was whole when it was looked up."""
        for line in self.lines():
            yield decoded(line, SessionRecord)

    def __len__(self) -> int:
        return len(self.starts)

    def lines(self) -> Iterator[bytes]:
        """Read each line as it stands.

        Raises
        ------
        OutputError
            The journal is gone.
        """
        if not self.starts:
            return
        with _opened(self.out) as file:
            for start in self.starts:
                file.seek(start)
                yield file.readline()


def stored_records(
    out: Path,
    *,
    holds: Callable[[SessionRecord], bool] | None = None,
    order: Callable[[SessionRecord], Any] | None = None,
) -> StoredRecords:
    """Look up the last whole record of every session; a line that a kill cut off is passed over.

    Parameters
    ----------
    out : Path
        Folder of the archive.
    holds : callable, optional
        Which of them are wanted; all of them when left out.
    order : callable, optional
        Key to sort them by; as they stand in the journal when left out.
    """
    found: dict[str, tuple[Any, int]] = {}
    for start, line in _lines(out):
        try:
            record = decoded(line, SessionRecord)
        except ValueError:
            continue
        found.pop(record.session, None)
        if holds is None or holds(record):
            found[record.session] = (order(record) if order else 0, start)
    return StoredRecords(out=out, starts=tuple(start for _, start in sorted(found.values())))


def _lines(out: Path) -> Iterator[tuple[int, bytes]]:
    """Where each line begins, and the line."""
    if not (out / JOURNAL).is_file():
        return
    start = 0
    with _opened(out) as file:
        for line in file:
            yield start, line
            start += len(line)


def _opened(out: Path) -> BinaryIO:
    try:
        return (out / JOURNAL).open("rb")
    except OSError as error:
        reason = (error.strerror or "unknown reason").lower()
        raise OutputError(f"{shown(out / JOURNAL)} cannot be read again ({reason}).") from error


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
def journal(out: Path, kept: StoredRecords | None = None) -> Iterator[Add]:
    """Begin the journal anew with what is kept, and give the function that adds to it.

    Parameters
    ----------
    out : Path
        Folder of the archive, made where it is missing.
    kept : StoredRecords, optional
        Records that still hold.

    Raises
    ------
    UsageError
        The folder cannot be made.
    OutputError
        A record cannot be written.
    """
    try:
        out.mkdir(exist_ok=True)
    except OSError as error:
        reason = (error.strerror or "unknown reason").lower()
        raise UsageError(f"Cannot write {shown(out)}: {reason}; choose another place.") from error
    write_parts(out / JOURNAL, (line.decode("ascii") for line in (kept.lines() if kept else ())))
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
