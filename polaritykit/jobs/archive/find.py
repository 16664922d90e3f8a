"""Finds sessions below a root: folders of audio, and multichannel files.

Conventions: natural order; hidden folders, links to folders and what this program wrote are passed over.
"""

import hashlib
import os
import re
from collections.abc import Iterator, Sequence
from pathlib import Path

from polaritykit.audio.header import FileHeader, read_header
from polaritykit.audio.session import is_audio, natural_key
from polaritykit.base.errors import InputError
from polaritykit.base.file_names import shown
from polaritykit.base.folder_marker import MARKER
from polaritykit.jobs.archive.records import FileStamp, Request


def find_sessions(root: Path, out: Path, *, program: str, options: Sequence[str] = ()) -> Iterator[Request]:
    """Yield what there is to check.

    Parameters
    ----------
    root : Path
        Folder to look below, itself included.
    out : Path
        Folder of the archive; reports go below it.
    program : str
        Name and version of what checks them.
    options : sequence of str
        For each `check`.

    Raises
    ------
    InputError
        The root is no folder that can be read.
    """
    if not root.is_dir():
        raise InputError(f"{shown(root)} is no folder; name the one that holds the sessions.")
    for place, folders, names in os.walk(root):
        folder = Path(place)
        folders[:] = sorted(
            (name for name in folders if not name.startswith(".")), key=lambda name: natural_key(Path(name))
        )
        if MARKER in names:
            folders.clear()  # a report, or corrected copies
            continue
        files = sorted((path for name in names if is_audio(path := folder / name)), key=natural_key)
        for source in _sessions_of(folder, files):
            stamps = [source] if source != folder else files
            yield Request(
                session=_relative(source, root),
                files=tuple(_stamp(path, root) for path in stamps),
                source=str(source.resolve()),
                report=str((out / report_folder(_relative(source, root))).resolve()),
                made_by=" ".join([f"{program}, check", *options]),
                options=tuple(options),
            )


def report_folder(session: str) -> str:
    """Place of a session's report in the archive: readable, and apart from all others.

    Examples
    --------
    >>> report_folder("1998/kit take 3")
    'sessions/18/kit_take_3-18106b5e'
    """
    digest = hashlib.sha256(os.fsencode(session)).hexdigest()
    name = re.sub(r"\W+", "_", shown(Path(session).name)).strip("_")[:40] or "session"
    return f"sessions/{digest[:2]}/{name}-{digest[:8]}"


def _sessions_of(folder: Path, files: list[Path]) -> list[Path]:
    """Nothing, the folder, or each of its files: a recorder that writes all channels into one."""
    if not files:
        return []
    headers = [read_header(path) for path in files]
    channels = [header.channels for header in headers if isinstance(header, FileHeader)]
    if channels and all(count > 2 for count in channels):
        return [path for path, header in zip(files, headers, strict=True) if isinstance(header, FileHeader)]
    return [folder] if sum(channels) > 1 or len(files) > 1 else []


def _relative(path: Path, root: Path) -> str:
    return path.relative_to(root).as_posix() if path != root else root.resolve().name


def _stamp(path: Path, root: Path) -> FileStamp:
    status = path.stat()
    return FileStamp(
        file=path.relative_to(root).as_posix(), size_bytes=status.st_size, modified_ns=status.st_mtime_ns
    )
