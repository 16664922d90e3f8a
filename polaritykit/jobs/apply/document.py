"""What `apply` did and measured as the document ``applied.json``.

Conventions: as `schema` says.
"""

from collections.abc import Sequence

from polaritykit.base.types import Json
from polaritykit.base.validate import written
from polaritykit.jobs.apply.file_jobs import Chosen
from polaritykit.jobs.apply.gains import OctaveGain, PairGain
from polaritykit.jobs.apply.measure_again import MeasuredAgain
from polaritykit.jobs.apply.schema import AppliedDocument
from polaritykit.pages.head import head


def applied_document(
    report: Json,
    entries: Sequence[Json],
    again: MeasuredAgain,
    *,
    chosen: Chosen,
    whole_samples: bool,
    as_start_times: bool,
) -> Json:
    """Make the document of `polaritykit apply`.

    Parameters
    ----------
    report : dict
        The report that was applied.
    entries : sequence of dict
        What was done, track by track.
    again : MeasuredAgain
        What the copies show.
    chosen : {"none", "flips", "delays", "all"}
        Corrections that were made.
    whole_samples : bool
        Whether all delays were rounded to whole samples.
    as_start_times : bool
        Whether delays moved the start times.
    """
    document = {
        **head("apply"),
        "session": report["session"],
        "set": chosen,
        "whole_samples": whole_samples,
        "as_start_times": as_start_times,
        "tracks": entries,
        "measured_again": {
            "gains": [_pair_gain(gain) for gain in again.gains],
            "octaves": [{"centre_hz": octave.centre_hz, **_both(octave)} for octave in again.octaves],
            "headline": again.headline,
            "left": [
                {"name": item.name, "invert": item.invert, "late_ms": item.late_ms}
                for item in again.remaining
            ],
        },
    }
    return written(document, AppliedDocument)


def _pair_gain(gain: PairGain) -> Json:
    return {
        "reference": gain.reference,
        "other": gain.other,
        "home": gain.home,
        "band_hz": gain.band_hz,
        **_both(gain),
    }


def _both(gain: PairGain | OctaveGain) -> Json:
    """Predicted and measured, under the names they have in the document."""
    return {"promised_db": gain.predicted_db, "had_db": gain.measured_db}
