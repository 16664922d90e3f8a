"""The only writer: whole files and whole folders, put in place in one step or not at all.

Conventions: everything is written under a temporary name in the same folder and renamed when it is
complete, so that an interruption leaves what was there before.  A folder is replaced only when asked
for, and only when this program made it and wrote all that is in it (`folder_marker`).  What a killed run
left is cleared away by the next one that writes in that place (`unfinished`).
"""

import errno
import os
from collections.abc import Iterable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from pathlib import Path

from polaritykit.base.errors import OutputError, PolaritykitError, UsageError
from polaritykit.base.folder_marker import foreign_entries, write_marker
from polaritykit.base.unfinished import clear_up, holder_for

#: More than what is left of a disk when a write has failed.
_TRIAL_BYTES = 1 << 18
#: The place is right and takes no more, whatever is asked of it.
_FULL = {getattr(errno, name) for name in ("ENOSPC", "EDQUOT", "EFBIG", "EIO") if hasattr(errno, name)}


@contextmanager
def replacing(path: Path) -> Iterator[Path]:
    """Give a temporary path to write to, and put it in the place of `path` at the end.

    Parameters
    ----------
    path : Path
        Where the finished file belongs; an existing file is replaced.

    Yields
    ------
    Path
        Name in the same folder to write to; it does not exist yet.

    Raises
    ------
    UsageError
        When the folder cannot be written to.
    """
    clear_up(path.parent)
    with ExitStack() as stack:
        try:
            holder = stack.enter_context(holder_for(path))
        except OSError as error:
            raise _unwritten(path, error) from error
        temporary = holder / path.name
        with _place_to_blame(path, holder):
            yield temporary
            try:
                temporary.replace(path)
            except OSError as error:
                raise _unwritten(path, error) from error


def write_file(path: Path, content: str | bytes) -> None:
    """Write a file whole or not at all.

    Parameters
    ----------
    path : Path
        Where to; an existing file is replaced.
    content : str or bytes
        Text is written as UTF-8 with line feeds.

    Raises
    ------
    UsageError
        When the folder cannot be written to.
    """
    with replacing(path) as temporary:
        temporary.write_bytes(content.encode("utf-8") if isinstance(content, str) else content)


def write_parts(path: Path, parts: Iterable[str]) -> None:
    """Write a file part by part, whole or not at all.

    Parameters
    ----------
    path : Path
        Where to; an existing file is replaced.
    parts : iterable of str
        Written as UTF-8 with line feeds, one after the other.

    Raises
    ------
    UsageError
        When the folder cannot be written to.
    """
    with replacing(path) as temporary, temporary.open("w", encoding="utf-8", newline="\n") as file:
        file.writelines(parts)


def check_output_folder(folder: Path, *, inputs: Sequence[Path], overwrite: bool) -> None:
    """Refuse an output folder that would harm something; call before the work, not after it.

    What a killed run left there is cleared away first, so that a report it had moved aside is back.

    Parameters
    ----------
    folder : Path
        Where the output shall go.
    inputs : sequence of Path
        Folders and files that are read: the session, an earlier report.
    overwrite : bool
        Whether an earlier report in that place may be replaced.

    Raises
    ------
    UsageError
        When the place is, holds or lies within the input, when something is there that may not be
        replaced, or when its parent is missing.
    """
    clear_up(folder.resolve().parent)
    _check_place(folder, inputs=inputs, overwrite=overwrite)
    if overwrite and folder.exists():
        _check_content(folder, folder)


def _check_place(folder: Path, *, inputs: Sequence[Path], overwrite: bool) -> None:
    """Refuse places that would harm an input, or that hold something and are not to be replaced."""
    place = folder.resolve()
    for path in inputs:
        source = path.resolve()
        if place == source or place.is_relative_to(source if source.is_dir() else source / "x"):
            raise UsageError(f"The output folder {folder} lies in {path}, which is read; choose one outside.")
        if source.is_relative_to(place):
            raise UsageError(f"The output folder {folder} holds {path}, which is read; choose another.")
    if not place.parent.is_dir():
        raise UsageError(f"The folder {place.parent} does not exist; make it, or choose another place.")
    if folder.is_symlink() or (folder.exists() and not folder.is_dir()):
        raise UsageError(f"{folder} exists and is no folder; choose another name.")
    if not folder.exists() or not any(folder.iterdir()):
        return
    if not overwrite:
        raise UsageError(
            f"The output folder {folder} exists; choose another, or use --overwrite to replace it."
        )


def _check_content(content: Path, folder: Path) -> None:
    """Refuse to replace `folder` when `content`, what is or was in it, is not all this program's."""
    if not any(content.iterdir()):
        return
    try:
        foreign = foreign_entries(content)
    except OSError as error:
        raise UsageError(
            f"The output folder {folder} cannot be read ({_reason(error)}), so it is not replaced; "
            "choose another."
        ) from error
    if foreign is None:
        held = min(path.name for path in content.iterdir())
        raise UsageError(
            f"The output folder {folder} holds no earlier report and is not replaced (there is {held}); "
            "choose another, or empty it yourself."
        )
    if foreign:
        more = f" and {len(foreign) - 1} more" if len(foreign) > 1 else ""
        raise UsageError(
            f"The output folder {folder} holds {foreign[0]}{more}, which this program did not write or which "
            "was changed since; move it elsewhere, or choose another folder."
        )


@contextmanager
def output_folder(folder: Path, *, inputs: Sequence[Path] = (), overwrite: bool = False) -> Iterator[Path]:
    """Give a temporary folder to fill, and put it in the place of `folder` at the end.

    Parameters
    ----------
    folder : Path
        Where the finished folder belongs.
    inputs : sequence of Path
        Folders and files that are read and must not be touched.
    overwrite : bool
        Replace an earlier report in that place.

    Yields
    ------
    Path
        An empty folder beside `folder` to write into.

    Raises
    ------
    UsageError
        As `check_output_folder`, and when the place cannot be written to.
    """
    check_output_folder(folder, inputs=inputs, overwrite=overwrite)

    def may_go(holder: Path) -> bool:
        return folder.exists() or not (holder / "old").exists()  # else the only place of the old one is here

    with ExitStack() as stack:
        try:
            holder = stack.enter_context(holder_for(folder, may_go=may_go))
        except OSError as error:
            raise _unwritten(folder, error) from error
        filling = holder / "new"
        with _place_to_blame(folder, holder):
            filling.mkdir()
            yield filling
            write_marker(filling)
            _check_place(folder, inputs=inputs, overwrite=overwrite)  # it may have appeared meanwhile
        _put_in_place(filling, folder, aside=holder / "old")


def _put_in_place(filled: Path, folder: Path, *, aside: Path) -> None:
    """Rename the new folder in, the old one out; the old one comes back when that fails."""
    try:
        if folder.exists():
            folder.rename(aside)
            _check_content(aside, folder)  # out of reach by now: nothing can be added unseen
        filled.rename(folder)
    except BaseException as error:
        if aside.exists() and not folder.exists():
            aside.rename(folder)
        if isinstance(error, OSError):
            if not aside.parent.is_dir():
                raise _unwritten(folder, _vanished()) from error
            raise UsageError(f"Cannot replace {folder}: {_reason(error)}; close what uses it.") from error
        raise


@contextmanager
def _place_to_blame(place: Path, holder: Path) -> Iterator[None]:
    """Say that the place takes nothing where that is why something failed, whoever was blamed for it."""
    try:
        yield
    except Exception as error:
        hindrance = _hindrance(error, holder)
        if hindrance is None:
            raise
        raise _unwritten(place, hindrance) from error


def _hindrance(error: Exception, holder: Path) -> OSError | None:
    """Return what hindered writing in a holder; None where something else failed."""
    if not holder.is_dir():
        return _vanished()
    cause: BaseException | None = error
    while cause is not None:
        if isinstance(cause, OSError) and (cause.errno in _FULL or _lies_in(cause.filename, holder)):
            return cause
        cause = cause.__cause__
    if isinstance(error, UsageError):
        return None
    # Libraries that write tell of it in their own ways, or not at all: try, on the largest file, which may
    # have reached the most that one file can hold here (it goes with the holder).
    files = [path for path in holder.rglob("*") if path.is_file()]
    largest = max(files, key=lambda path: path.stat().st_size, default=holder / "trial")
    try:
        with largest.open("ab") as trial:
            trial.write(bytes(_TRIAL_BYTES))
    except OSError as full:
        return full
    return None


def _vanished() -> OSError:
    return OSError(errno.EIO, "its folder vanished meanwhile")


def _lies_in(name: object, holder: Path) -> bool:
    return isinstance(name, str | bytes | Path) and Path(os.fsdecode(name)).is_relative_to(holder)


def _unwritten(place: Path, error: OSError) -> PolaritykitError:
    if error.errno in _FULL:
        return OutputError(f"{place} could not be written ({_reason(error)}); nothing was changed there.")
    return UsageError(f"Cannot write {place}: {_reason(error)}; choose another place.")


def _reason(error: OSError) -> str:
    return (error.strerror or "unknown reason").lower()
