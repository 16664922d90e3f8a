"""A second opinion on a stereo pair whose spectra point to no single delay: its sources' first arrivals.

On drum overheads every drum has its own offset, so the phase of the whole take says nothing; hit by hit each
of them does (`analysis`).  What the spectra did decide stays as it is.

Conventions: as in `polaritykit.jobs.pair.measure`.
"""

from dataclasses import replace

from polaritykit.analysis import analyse
from polaritykit.base.air import speed_of_sound
from polaritykit.base.types import Recording
from polaritykit.decide.findings import PairFinding
from polaritykit.jobs.pair.findings import StereoFindings
from polaritykit.jobs.pair.measure import analyse_pair
from polaritykit.jobs.pair.remarks import stereo_remarks
from polaritykit.jobs.pair.settings import StereoSettings

_DEFAULTS = StereoSettings()


def judge_pair(recording: Recording, settings: StereoSettings = _DEFAULTS) -> StereoFindings:
    """Judge a stereo pair by its spectra, and by its first arrivals where those give no offset.

    Parameters
    ----------
    recording : Recording
        Two tracks, left and right.
    settings : StereoSettings

    Returns
    -------
    StereoFindings
        ``offset_method`` says which of the two gave the offset.

    Raises
    ------
    UsageError
        When there are not two tracks.
    """
    found = analyse_pair(recording, settings)
    if found.offset_ms is not None or found.mixed_signs or found.level_difference_db is None:
        return found
    second = analyse(recording, linked=(recording.track_names,)).pairs[0]  # type: ignore[arg-type]  # two names
    return _joined(found, second, settings)


def _joined(found: StereoFindings, second: PairFinding, settings: StereoSettings) -> StereoFindings:
    """Take the offset of the second opinion, and its polarity where it is sure and the first has none."""
    if not second.related or second.offset_ms is None or second.polarity == "unclear":
        return found
    if abs(second.offset_ms) > settings.max_offset_ms or second.confidence < settings.second_confidence:
        return found
    if found.wiring not in ("unclear", second.polarity):
        return found
    home = second.sources[0].home if second.sources else second.reference
    reason = f"the first arrivals say so, most clearly those of {home} (confidence {second.confidence:.0%})"
    joined = replace(
        found,
        offset_ms=second.offset_ms,
        offset_std_ms=second.offset_std_ms,
        offset_method="first arrivals",
        path_difference_m=abs(second.offset_ms) / 1000 * speed_of_sound().speed_mps,
        wiring=second.polarity,
        wiring_reason=found.wiring_reason if found.wiring != "unclear" else reason,
        invert=second.polarity == "inverted",
    )
    return replace(joined, remarks=tuple(stereo_remarks(joined, settings)))
