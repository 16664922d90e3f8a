"""Knows which files of a folder this program wrote, by a marker it leaves there.

Conventions: the marker lists every file written, with its size and SHA-256 (FIPS 180-4), so that a file that
was changed since counts as the user's.  Folders of version 0.1.0 hold no marker: they are known by what
their document says, and only the file names that version wrote count as written.
"""

import hashlib
import json
import os
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

#: Hidden, and no audio by its name: a folder of corrected copies is a session of its own.
MARKER = ".polaritykit-folder.json"
_PROGRAM = "polaritykit"
#: Command of a document of version 0.1.0 -> names that version wrote for it.
_CHECK_FILES = r"report\.(json|html)|(pairs|corrections)\.csv|(session_map|pair_\d{2,})\.(png|svg|pdf)"
_JOB_FILES = (
    r"report\.(json|html)|figure_\d+\.(png|svg|pdf)|mono_(as_recorded|flipped)\.wav|"
    r"sum_(as_recorded|flipped|delayed)\.wav"
)
_FIRST_VERSION_FILES = {
    "check": _CHECK_FILES,
    **dict.fromkeys(("pair", "bleed", "comb", "pulse read", "recheck"), _JOB_FILES),
    "layout": r"layout\.(json|html)|pairs\.csv|(plan|responses)\.png",
}


def write_marker(folder: Path) -> None:
    """List all files of a folder in its marker; call when the folder is complete."""
    files = [
        {"name": name, "size_bytes": (folder / name).stat().st_size, "sha256": _digest(folder / name)}
        for name in _entries(folder)
    ]
    # ASCII escapes: a name in any bytes comes back as it was.
    text = json.dumps({"program": _PROGRAM, "files": files}, indent=1)
    (folder / MARKER).write_text(text + "\n", encoding="ascii", newline="\n")


def foreign_entries(folder: Path) -> tuple[str, ...] | None:
    """Name what this program did not write into a folder.

    Parameters
    ----------
    folder : Path
        An existing folder.

    Returns
    -------
    tuple of str or None
        Files, links and empty folders, relative to the folder; None when the program did not make it.

    Raises
    ------
    OSError
        When something in it cannot be read.
    """
    if os.path.lexists(folder / MARKER):
        listed = _listed(folder)
        if listed is None:
            return None
        return tuple(
            name
            for name in _entries(folder)
            if name != MARKER and not (name in listed and _is_unchanged(folder / name, listed[name]))
        )
    pattern = _first_version_pattern(folder)
    if pattern is None:
        return None
    return tuple(
        name for name in _entries(folder) if not (pattern.fullmatch(name) and _is_plain_file(folder / name))
    )


def _entries(folder: Path) -> Iterator[str]:
    """Yield files, links and empty folders, relative and with slashes."""
    for place, folders, files in os.walk(folder, onerror=_refuse):
        folders.sort()
        links = [name for name in folders if (Path(place) / name).is_symlink()]
        for name in sorted([*files, *links]):
            yield (Path(place) / name).relative_to(folder).as_posix()
        if not folders and not files and Path(place) != folder:
            yield Path(place).relative_to(folder).as_posix()


def _refuse(error: OSError) -> None:
    """Stop at a folder that cannot be looked into, rather than take it for empty."""
    raise error


def _is_plain_file(path: Path) -> bool:
    return path.is_file() and not path.is_symlink()


def _is_unchanged(path: Path, listed: tuple[int, str]) -> bool:
    return _is_plain_file(path) and path.stat().st_size == listed[0] and _digest(path) == listed[1]


def _digest(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _listed(folder: Path) -> dict[str, tuple[int, str]] | None:
    """Read the marker; None when it is not one."""
    document = _read(folder / MARKER)
    if document.get("program") != _PROGRAM:
        return None
    try:
        return {entry["name"]: (entry["size_bytes"], entry["sha256"]) for entry in document["files"]}
    except (KeyError, TypeError):
        return None


def _first_version_pattern(folder: Path) -> re.Pattern[str] | None:
    """Names that version 0.1.0 wrote beside the document found in a folder; None without such a document."""
    report, layout, applied = (_read(folder / f"{name}.json") for name in ("report", "layout", "applied"))
    for document, commands in ((report, set(_FIRST_VERSION_FILES) - {"layout"}), (layout, {"layout"})):
        command = document.get("command")
        if isinstance(command, str) and command in commands and _is_first_version(document, command):
            return re.compile(_FIRST_VERSION_FILES[command])
    if applied.get("schema_version") == 1 and {"session", "only", "whole_samples", "tracks"} <= set(applied):
        return _pattern({"applied.json", *_files_of(applied)})
    demo = {
        f"{place.name}/{name}"
        for place in folder.iterdir()
        if _is_demo_truth(truth := _read(place / "truth.json"), place.name)
        for name in ("truth.json", *_files_of(truth))
    }
    return _pattern(demo) if demo else None


def _pattern(names: set[str]) -> re.Pattern[str]:
    return re.compile("|".join(re.escape(name) for name in sorted(names)))


def _files_of(document: dict[str, Any]) -> set[str]:
    """Files that the tracks of a document name."""
    try:
        return {str(track["file"]) for track in document["tracks"]}
    except (KeyError, TypeError):
        return set()


def _is_demo_truth(document: dict[str, Any], name: str) -> bool:
    return document.get("session") == name and {"conventions", "sources", "pairs", "tracks"} <= set(document)


def _is_first_version(document: dict[str, Any], command: str) -> bool:
    if document.get("schema_version") != 1:
        return False
    if command == "recheck":  # named no program
        return {"sentences", "compared", "tracks", "pairs"} <= set(document)
    return document.get("program") == {"name": _PROGRAM, "version": "0.1.0"}


def _read(path: Path) -> dict[str, Any]:
    """Read a JSON object; empty when there is none."""
    try:
        document = json.loads(path.read_text(encoding="utf-8")) if _is_plain_file(path) else None
    except (OSError, ValueError):
        return {}
    return document if isinstance(document, dict) else {}
