"""The document of a job on two tracks (`pair`, `bleed`): the part they share, JSON-safe.

Conventions: as `report.json`; see DEVELOPERS.md.
"""

import datetime as dt
from collections.abc import Sequence
from typing import Any

from polaritykit import __version__

SCHEMA_VERSION = 1


def job_document(
    command: str,
    findings: dict[str, Any],
    *,
    name: str,
    sample_rate_hz: int,
    n_samples: int,
    notes: Sequence[str],
    tracks: Sequence[dict[str, Any]],
) -> dict[str, Any]:
    """One document: what was looked at, and the findings under the command's name.

    Parameters
    ----------
    command : str
    findings : dict
        JSON-safe.
    name : str
        Of the session.
    sample_rate_hz, n_samples : int
        Of the span that was looked at.
    notes : sequence of str
        What was done to the input.
    tracks : sequence of dict
        Name, file and channel of each track.
    """
    return {
        "schema_version": SCHEMA_VERSION,
        "program": {"name": "polaritykit", "version": __version__},
        "command": command,
        "created": dt.datetime.now(dt.UTC).isoformat(timespec="seconds"),
        "session": {
            "name": name,
            "duration_s": n_samples / sample_rate_hz,
            "n_samples": n_samples,
        },
        "sample_rate": sample_rate_hz,
        "notes": list(notes),
        "tracks": list(tracks),
        command: findings,
    }


def rounded(value: float | None, digits: int) -> float | None:
    """Round to no more than was measured; ``None`` stays ``None``, minus zero becomes zero."""
    return None if value is None else round(value, digits) + 0.0
