"""What begins every document, and the document of a job on two tracks (`pair`, `bleed`).

Conventions: as `report.json`; see DEVELOPERS.md.
"""

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

from polaritykit import __version__
from polaritykit.base.file_names import stored
from polaritykit.base.types import Json
from polaritykit.base.validate import SCHEMA_VERSION, Program, TrackFile, written


@dataclass(frozen=True, kw_only=True)
class JobSession:
    """Span of a session that was looked at."""

    name: str
    duration_s: float
    n_samples: int


@dataclass(frozen=True, kw_only=True)
class JobDocument:
    """What the documents of jobs on two tracks share; the findings follow under the command's name."""

    schema_version: int
    program: Program
    #: ISO 8601.
    created: str
    session: JobSession
    sample_rate: int
    notes: tuple[str, ...]
    tracks: tuple[TrackFile, ...]


class Placed(Protocol):
    """A track as opened: its name and where it lies."""

    @property
    def name(self) -> str:
        """Of the track."""

    @property
    def path(self) -> Path:
        """Of the file."""

    @property
    def channel(self) -> int:
        """Of the file, from 0."""


def head(command: str) -> Json:
    """Begin a document: schema, program and command."""
    return {
        "schema_version": SCHEMA_VERSION,
        "program": {"name": "polaritykit", "version": __version__},
        "command": command,
    }


def now() -> str:
    """Tell the time as documents do."""
    return dt.datetime.now(dt.UTC).isoformat(timespec="seconds")


def job_document(
    command: str,
    findings: Mapping[str, Any],
    *,
    model: type,
    name: str,
    sample_rate_hz: int,
    n_samples: int,
    notes: Sequence[str],
    tracks: Sequence[Placed],
) -> Json:
    """One document: what was looked at, and the findings under the command's name.

    Parameters
    ----------
    command : str
    findings : mapping
    model : type
        What the job's `schema` says the document is.
    name : str
        Of the session.
    sample_rate_hz, n_samples : int
        Of the span that was looked at.
    notes : sequence of str
        What was done to the input.
    tracks : sequence
        As opened.
    """
    document = {
        **head(command),
        "created": now(),
        "session": {
            "name": name,
            "duration_s": n_samples / sample_rate_hz,
            "n_samples": n_samples,
        },
        "sample_rate": sample_rate_hz,
        "notes": notes,
        "tracks": [
            {"name": track.name, **stored(track.path.name), "channel": track.channel} for track in tracks
        ],
        command: findings,
    }
    return written(document, model)


def rounded(value: float | None, digits: int) -> float | None:
    """Round to no more than was measured; ``None`` stays ``None``, minus zero becomes zero."""
    return None if value is None else round(value, digits) + 0.0
