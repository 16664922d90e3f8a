"""Where in a recording each track has sound, and where all have.

Conventions: samples of the recording; a span is [first, stop).
"""

from collections.abc import Sequence
from typing import Protocol, runtime_checkable

from polaritykit.base.types import Recording

Span = tuple[int, int]


@runtime_checkable
class RaggedRecording(Recording, Protocol):
    """A recording of tracks that do not all begin and end together; zeros outside their spans."""

    @property
    def spans(self) -> tuple[Span, ...]:
        """Where each track has sound."""


def spans_of(recording: Recording) -> tuple[Span, ...]:
    """Span of each track: all of the recording, where it does not say otherwise.

    Parameters
    ----------
    recording : Recording
    """
    if isinstance(recording, RaggedRecording):
        return recording.spans
    return ((0, recording.n_samples),) * len(recording.track_names)


def common_span(spans: Sequence[Span]) -> Span:
    """Give what all spans share; it ends where it begins, where that is nothing.

    Parameters
    ----------
    spans : sequence of (int, int)
        At least one.
    """
    first, stop = max(first for first, _ in spans), min(stop for _, stop in spans)
    return first, max(first, stop)
