"""What changed between two reports as a document, sentences included."""

from dataclasses import asdict

from polaritykit.base.types import Json
from polaritykit.base.validate import written
from polaritykit.jobs.recheck.compare import Recheck
from polaritykit.jobs.recheck.schema import RecheckDocument
from polaritykit.jobs.recheck.words import sentences
from polaritykit.pages.head import head


def recheck_document(result: Recheck) -> Json:
    """Make the document of `polaritykit recheck`."""
    return written({**head("recheck"), "sentences": sentences(result), **asdict(result)}, RecheckDocument)
