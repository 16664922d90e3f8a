"""The document of a job on two tracks (`pair`, `bleed`): the part they share, JSON-safe.

Conventions: as `report.json`; see DEVELOPERS.md.
"""

import datetime as dt
from typing import Any

from polaritykit import __version__
from polaritykit.filenames import stored
from polaritykit.records import Session

SCHEMA_VERSION = 1


def job_document(session: Session, command: str, findings: dict[str, Any]) -> dict[str, Any]:
    """One document: what was looked at, and the findings under the command's name."""
    rate = session.sample_rate_hz
    return {
        "schema_version": SCHEMA_VERSION,
        "program": {"name": "polaritykit", "version": __version__},
        "command": command,
        "created": dt.datetime.now(dt.UTC).isoformat(timespec="seconds"),
        "session": {
            "name": session.name,
            "duration_s": session.n_samples / rate,
            "n_samples": session.n_samples,
        },
        "sample_rate": rate,
        "notes": list(session.notes),
        "tracks": [
            {"name": track.name, **stored(track.path.name), "channel": track.channel}
            for track in session.tracks
        ],
        command: findings,
    }


def rounded(value: float | None, digits: int) -> float | None:
    """Round to no more than was measured; ``None`` stays ``None``, minus zero becomes zero."""
    return None if value is None else round(value, digits) + 0.0
