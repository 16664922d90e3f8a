"""The report of an earlier check, as `apply`, `recheck` and `layout --against` are given it."""

import json
from pathlib import Path
from typing import Any

from polaritykit.base.errors import InputError
from polaritykit.pages.head import SCHEMA_VERSION

_WANTED = "give a report folder that check wrote, or its report.json"


def report_place(report: Path) -> Path:
    """Return the document's file where a report folder is named."""
    return report / "report.json" if report.is_dir() else report


def read_report(report: Path) -> dict[str, Any]:
    """Read the document of a check.

    Raises
    ------
    InputError
        The file cannot be read, is not JSON, has another schema, or is no report of a check.
    """
    place = report_place(report)
    try:
        document = json.loads(place.read_text(encoding="utf-8-sig"))
    except OSError as error:
        reason = (error.strerror or "unknown reason").lower()
        raise InputError(f"{place} cannot be read ({reason}); {_WANTED}.") from error
    except ValueError as error:
        raise InputError(f"{place} is no report: it is not JSON; {_WANTED}.") from error
    if isinstance(document, dict) and document.get("schema_version", SCHEMA_VERSION) != SCHEMA_VERSION:
        raise InputError(
            f"{place} has schema version {document['schema_version']}, this program reads {SCHEMA_VERSION}; "
            "run check again."
        )
    if not isinstance(document, dict) or not {"tracks", "pairs"} <= set(document):
        raise InputError(f"{place} is no report of check: it has no tracks and pairs; {_WANTED}.")
    return document
