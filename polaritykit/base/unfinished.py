"""Folders for what is not finished yet, and the clearing away of those whose run was killed.

Conventions: such a folder stands beside the place it is for and holds a slip that names the place, ``new``
(being filled) and, for the moment of the exchange, ``old`` (what was in the place).  A run holds a lock on
its slip; the system lets go of it with the process, however that ends, so no process number is trusted.
"""

import json
import os
import shutil
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO

from polaritykit.base.folder_marker import foreign_entries

#: Begins the names of what is not complete yet.
PREFIX = ".unfinished-"
#: Names the place, and is locked while the run lives.
_SLIP = ".polaritykit-run.json"
_PROGRAM = "polaritykit"
#: A holder without a slip is one that was killed at once, or one that is being made right now.
_BEING_MADE_S = 60.0


@contextmanager
def holder_for(place: Path, *, may_go: Callable[[Path], bool] = lambda _: True) -> Iterator[Path]:
    """Make a holder beside a place and take it away at the end, whatever happens.

    Parameters
    ----------
    place : Path
        What the result will be called.
    may_go : callable, optional
        Asked with the holder at the end: False leaves it, for the next run to look at.

    Yields
    ------
    Path
        An existing folder.

    Raises
    ------
    OSError
        When the folder cannot be written to.
    """
    holder = Path(tempfile.mkdtemp(prefix=PREFIX, dir=place.resolve().parent))
    try:
        with (holder / _SLIP).open("xb") as slip:
            _lock(slip)
            # ASCII escapes: a name in any bytes comes back as it was.
            slip.write(json.dumps({"program": _PROGRAM, "place": place.name}).encode("ascii"))
            slip.flush()
            try:
                yield holder
            finally:  # also on Ctrl-C, and before the lock goes
                if may_go(holder):
                    _empty(holder)
    finally:
        if may_go(holder):
            shutil.rmtree(holder, ignore_errors=True)


def clear_up(parent: Path) -> None:
    """Remove what killed runs left in a folder; bring back what they had moved aside.

    Parameters
    ----------
    parent : Path
        Where something shall be written.  What other runs are at work on stays, and so does all that this
        program did not make or cannot know to be its own.
    """
    try:
        found = [path for path in parent.iterdir() if path.name.startswith(PREFIX)]
    except OSError:
        return
    for holder in found:
        try:
            _clear(holder)
        except OSError:  # gone meanwhile, or not ours to touch
            continue


def _clear(holder: Path) -> None:
    if holder.is_symlink() or not holder.is_dir():
        return
    slip = holder / _SLIP
    if not slip.is_file():
        if not any(holder.iterdir()) and time.time() - holder.stat().st_mtime > _BEING_MADE_S:
            holder.rmdir()
        return
    with slip.open("r+b") as opened:
        if not _lock(opened) or not _may_be_cleared(holder, opened.read()):
            return
        _empty(holder)
    shutil.rmtree(holder, ignore_errors=True)


def _may_be_cleared(holder: Path, slip: bytes) -> bool:
    """Bring back what was moved aside; False where what the holder has is not known to be this program's."""
    try:
        entry = json.loads(slip or b"{}")
    except ValueError:
        return False
    place = entry.get("place") if isinstance(entry, dict) and entry.get("program") == _PROGRAM else ""
    if not place:  # killed before a word was written: then there is nothing beside the slip
        return [path.name for path in holder.iterdir()] == [_SLIP]
    if not isinstance(place, str) or place != Path(place).name:
        return False
    old, target = holder / "old", holder.parent / place
    if old.exists() and not os.path.lexists(target):
        old.rename(target)
    # Else it may be somebody's, and nowhere else.
    return not old.exists() or not any(old.iterdir()) or foreign_entries(old) == ()


def _empty(holder: Path) -> None:
    """Remove all but the slip: whatever is killed on the way is known by it."""
    for path in holder.iterdir() if holder.is_dir() else ():  # somebody may have removed the folder around it
        if path.is_dir() and not path.is_symlink():
            shutil.rmtree(path, ignore_errors=True)
        elif path.name != _SLIP:
            path.unlink(missing_ok=True)


def _lock(slip: BinaryIO) -> bool:
    """Take the lock that ends with the process; False when another holds it, or nobody can tell."""
    try:
        import fcntl
    except ImportError:  # a system on which an open file cannot be removed, which is lock enough
        return False
    try:
        fcntl.flock(slip, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True
