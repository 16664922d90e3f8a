"""Places files on one clock: start times, common rate, span looked at; no files are read.

Conventions: an origin is the position of a file's first sample in whole samples at its own rate;
times in seconds are exact fractions, so that nothing is rounded on the way to the sample.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from math import ceil, floor

from polaritykit.audio.header import FileHeader
from polaritykit.audio.other_clock import Clock
from polaritykit.base.errors import InputError
from polaritykit.base.spans import Span, common_span


@dataclass(frozen=True, kw_only=True)
class Placement:
    """Where the files of a session lie on the common clock."""

    sample_rate_hz: int
    #: One per file, at the file's own rate.
    origins: tuple[int, ...]
    #: Start of the span looked at, at the session's rate.
    start: int
    n_samples: int
    #: One per file: where it lies in that span, samples at the session's rate from its start.
    spans: tuple[Span, ...]
    notes: tuple[str, ...]
    #: One per file; None for those that are placed by their origin.
    clocks: tuple[Clock | None, ...]


#: A span that all files share is looked at alone where it leaves out less than this share of what two of them
#: share: files cut by hand differ by that, and no edge has to be looked at then.
_LITTLE = 0.05


def place(
    headers: Sequence[FileHeader], *, ignore_start_times: bool, min_span_s: float, own_spans: bool
) -> Placement:
    """Find the common rate and the span to look at.

    Parameters
    ----------
    headers : sequence of FileHeader
        The usable files, at least one.
    ignore_start_times : bool
        Line up the first samples whatever the files say.
    min_span_s : float
        A shorter common span is refused.
    own_spans : bool
        Look at all that two of the files share at least, not only at what all share.

    Returns
    -------
    Placement
        Origins, spans, and sentences on what was done.

    Raises
    ------
    InputError
        When the start times leave no common span.
    """
    rate_hz = max(header.sample_rate_hz for header in headers)
    notes = _rate_notes(headers, rate_hz)
    if ignore_start_times:
        origins = (0,) * len(headers)
        if len({start_s(header) for header in headers} - {None}) > 1:
            notes.append("The files have different start times, which were ignored as asked.")
    else:
        origins, start_notes = _origins(headers)
        notes += start_notes
    return _placed(
        headers,
        origins,
        (None,) * len(headers),
        notes=notes,
        min_span_s=min_span_s,
        own_spans=own_spans,
    )


def place_by_sound(
    headers: Sequence[FileHeader],
    clocks: Sequence[Clock | None],
    *,
    min_span_s: float,
    own_spans: bool,
    within_s: tuple[float, float] | None = None,
) -> Placement:
    """Place files by where they were heard to lie.

    Parameters
    ----------
    headers : sequence of FileHeader
    clocks : sequence of Clock or None
        Of each file on the time line that begins with the reference's first sample; None for the files of the
        reference.
    min_span_s : float
        A shorter common span is refused.
    own_spans : bool
        As of `place`.
    within_s : tuple of float, optional
        Span to stay in, on the same time line.

    Returns
    -------
    Placement

    Raises
    ------
    InputError
        When no moment is common to all.
    """
    rate_hz = max(header.sample_rate_hz for header in headers)
    origins = [_whole_origin(header, clock) for header, clock in zip(headers, clocks, strict=True)]
    apart = [None if origin is not None else clock for origin, clock in zip(origins, clocks, strict=True)]
    at = tuple(origin or 0 for origin in origins)
    return _placed(
        headers,
        at,
        apart,
        notes=_rate_notes(headers, rate_hz),
        min_span_s=min_span_s,
        own_spans=own_spans,
        within_s=within_s,
    )


def _whole_origin(header: FileHeader, clock: Clock | None) -> int | None:
    """Origin of a file that only lies whole samples away, so that its samples stay what they are."""
    if clock is None:
        return 0
    at = clock.start_s * header.sample_rate_hz
    return round(at) if not clock.drift_ppm and abs(at - round(at)) < 1e-3 else None


def _placed(
    headers: Sequence[FileHeader],
    origins: tuple[int, ...],
    clocks: Sequence[Clock | None],
    *,
    notes: list[str],
    min_span_s: float,
    own_spans: bool,
    within_s: tuple[float, float] | None = None,
) -> Placement:
    """Cut to what the files have in common: all of them, or two of them at least."""
    rate_hz = max(header.sample_rate_hz for header in headers)
    edges = [_edges(*item) for item in zip(headers, origins, clocks, strict=True)]
    spans = [(ceil(first * rate_hz), floor(last * rate_hz)) for first, last in edges]
    if within_s is not None:
        low, high = (round(second * rate_hz) for second in within_s)
        spans = [(max(first, low), min(stop, high)) for first, stop in spans]
    common = start, stop = common_span(spans)
    if own_spans and len(spans) > 1:
        # From where a second one has begun to where the last but one ends.
        start, stop = sorted(first for first, _ in spans)[1], sorted(last for _, last in spans)[-2]
        if common[1] - common[0] >= (1.0 - _LITTLE) * (stop - start):
            start, stop = common
    if common[1] - common[0] < min_span_s * rate_hz:
        latest = max(zip(edges, headers, strict=True), key=lambda item: item[0][0])[1]
        earliest = min(zip(edges, headers, strict=True), key=lambda item: item[0][1])[1]
        raise InputError(
            f"By their start times the files share no sound: {earliest.name} ends before "
            f"{latest.name} begins ({_clock(max(first for first, _ in edges))}); if the start times "
            "are wrong, use --ignore-start-times."
        )
    return Placement(
        sample_rate_hz=rate_hz,
        origins=tuple(origins),
        start=start,
        n_samples=stop - start,
        spans=tuple((max(first, start) - start, min(last, stop) - start) for first, last in spans),
        notes=(
            *notes,
            *_span_notes(
                headers,
                edges,
                Fraction(common[1] - common[0], rate_hz),
                rate_hz,
                own_spans=(start, stop) != common,
            ),
        ),
        clocks=tuple(clocks),
    )


def _edges(header: FileHeader, origin: int, clock: Clock | None) -> tuple[Fraction, Fraction]:
    """First and last moment of a file, seconds."""
    length_s = Fraction(header.frames, header.sample_rate_hz)
    if clock is not None:
        return Fraction(clock.start_s), Fraction(clock.session_s(float(length_s)))
    first = Fraction(origin, header.sample_rate_hz)
    return first, first + length_s


def start_s(header: FileHeader) -> Fraction | None:
    """Start in seconds since midnight by the file's head."""
    return None if header.reference is None else Fraction(header.reference, header.sample_rate_hz)


def _origins(headers: Sequence[FileHeader]) -> tuple[tuple[int, ...], list[str]]:
    """Origins from the start times, and what to say about them."""
    notes = [_disagreement(header) for header in headers]
    starts = [start_s(header) for header in headers]
    known = [start for start in starts if start is not None]
    if len(set(known)) <= 1:
        return (0,) * len(headers), [note for note in notes if note]
    earliest = min(known)
    notes.append(
        f"Start times differ by up to {float(max(known) - earliest):.3f} s and were used to place the tracks "
        "(--ignore-start-times lines up the first samples instead)."
    )
    unknown = [header.name for header, start in zip(headers, starts, strict=True) if start is None]
    if unknown:
        notes.append(
            f"{_listed(unknown)} {'has' if len(unknown) == 1 else 'have'} no start time and "
            f"{'was' if len(unknown) == 1 else 'were'} placed at the earliest one, {_clock(earliest)}."
        )
    origins = tuple(
        round((earliest if start is None else start) * header.sample_rate_hz)
        for header, start in zip(headers, starts, strict=True)
    )
    return origins, [note for note in notes if note]


def _disagreement(header: FileHeader) -> str | None:
    if header.start is None or header.start.bext_samples is None or header.ixml_s is None:
        return None
    bext_s = Fraction(header.start.bext_samples, header.sample_rate_hz)
    if abs(bext_s - header.ixml_s) * header.sample_rate_hz < 1:
        return None
    return (
        f"{header.name} gives two start times, {_clock(bext_s)} in bext and {_clock(header.ixml_s)} in "
        "iXML; bext counts."
    )


def _rate_notes(headers: Sequence[FileHeader], rate_hz: int) -> list[str]:
    slower = [header for header in headers if header.sample_rate_hz != rate_hz]
    if not slower:
        return []
    names = _listed([f"{header.name} ({header.sample_rate_hz} Hz)" for header in slower])
    return [f"The sample rates differ; {names} resampled to {rate_hz} Hz."]


def _span_notes(
    headers: Sequence[FileHeader],
    edges: Sequence[tuple[Fraction, Fraction]],
    span_s: Fraction,
    rate_hz: int,
    *,
    own_spans: bool,
) -> list[str]:
    """Say which part is looked at, unless the files differ by the rounding of a resampler only."""
    lengths = [last - first for first, last in edges]
    if max(lengths) - span_s <= Fraction(1, rate_hz):
        return []
    shortest = headers[lengths.index(min(lengths))].name
    longest = headers[lengths.index(max(lengths))].name
    used = (
        f"each is heard where it lies, and sums and level differences are those of the {float(span_s):.3f} s "
        "that all share"
        if own_spans
        else f"the common span of {float(span_s):.3f} s is used"
    )
    note = (
        f"The files do not cover the same time; {used} (shortest "
        f"file {shortest}, {float(min(lengths)):.3f} s; longest {longest}, "
        f"{float(max(lengths)):.3f} s)."
    )
    return [note]


def _listed(names: Sequence[str]) -> str:
    """Join names, the first few spelled out."""
    if len(names) <= 4:
        return ", ".join(names)
    return f"{', '.join(names[:3])} and {len(names) - 3} more files"


def _clock(seconds: Fraction) -> str:
    minutes, rest = divmod(seconds, 60)
    hours, minutes = divmod(minutes, 60)
    return f"{int(hours):02d}:{int(minutes):02d}:{float(rest):06.3f}"
