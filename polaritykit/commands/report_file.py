"""The one reader of a check's report, for all commands that take one."""

from pathlib import Path

from polaritykit.base.errors import InputError
from polaritykit.base.file_names import shown
from polaritykit.base.types import Json
from polaritykit.base.validate import read

_ADVICE = "run polaritykit check again and give its folder or the report.json in it"


def report_place(path: Path) -> Path:
    """Return where the report of a folder lies; a file is one itself."""
    return path / "report.json" if path.is_dir() else path


def read_report(path: Path) -> Json:
    """Read the document of a check.

    Parameters
    ----------
    path : Path
        A report folder or its ``report.json``.

    Returns
    -------
    dict
        All fields of `jobs.check.schema.Report`.

    Raises
    ------
    InputError
        It cannot be read, or is not such a document.
    """
    from polaritykit.jobs.check.schema import Report

    place = report_place(path)
    try:
        if place.exists() and not place.is_file():
            raise InputError(f"{shown(place)} is a device or a pipe, no file; {_ADVICE}.")
        content = place.read_bytes()
    except OSError as error:
        reason = (error.strerror or "unknown reason").lower()
        raise InputError(
            f"{shown(place)} cannot be read ({reason}); name a report folder or its report.json."
        ) from error
    return read(content, Report, name=shown(place), advice=_ADVICE)
