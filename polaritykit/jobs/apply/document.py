"""What was done and measured again as a document (`applied.json`)."""

from collections.abc import Sequence
from typing import Any

from polaritykit.base.types import Json
from polaritykit.base.validate import written
from polaritykit.jobs.apply.file_jobs import Part
from polaritykit.jobs.apply.measure_again import Proof, proof_entry
from polaritykit.jobs.apply.schema import AppliedDocument
from polaritykit.pages.head import head


def applied_document(
    entries: Sequence[dict[str, Any]], proof: Proof, *, session: Json, only: Part | None, whole_samples: bool
) -> Json:
    """Make the document.

    Parameters
    ----------
    entries : sequence of dict
        What was done, track by track.
    proof : Proof
        What was measured again.
    session : dict
        Of the report that was applied.
    only, whole_samples
        As asked for.
    """
    document = {
        **head("apply"),
        "session": session,
        "only": only,
        "whole_samples": whole_samples,
        "tracks": entries,
        "measured_again": proof_entry(proof),
    }
    return written(document, AppliedDocument)
