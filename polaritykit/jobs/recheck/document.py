"""What changed between two reports as a JSON-safe document.

Conventions: as `report.json`; see DEVELOPERS.md.
"""

from dataclasses import asdict

from polaritykit.base.types import Json
from polaritykit.jobs.recheck.compare import Recheck
from polaritykit.jobs.recheck.words import sentences

SCHEMA_VERSION = 1


def recheck_document(result: Recheck) -> Json:
    """Make the document of `polaritykit recheck`: the sentences first, then what they rest on."""
    return {
        "schema_version": SCHEMA_VERSION,
        "command": "recheck",
        "sentences": sentences(result),
        **asdict(result),
    }
