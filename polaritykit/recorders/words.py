"""What is said of recorders: what to trim, how a clock runs, what was sought and not found.

Conventions: sentences; times in hours, minutes, seconds and in samples of the file that is trimmed.
"""

from collections.abc import Sequence

from polaritykit.audio.records import Recorder, Session
from polaritykit.base.file_names import shown
from polaritykit.base.wording import listed, number

#: Heads that tell the time by the frame of a picture are right to some 0.04 s.
_HEADS_MISS_S = 0.05
_PER_HOUR_MS = 3.6


def clock_time(seconds: float) -> str:
    """Write a length of time as hours, minutes and seconds.

    Examples
    --------
    >>> clock_time(3725.0625)
    '1:02:05.062'
    """
    ms = round(abs(seconds) * 1e3)
    return f"{ms // 3_600_000}:{ms // 60_000 % 60:02d}:{ms // 1000 % 60:02d}.{ms % 1000:03d}"


def whole_number(value: int) -> str:
    r"""Write a number of samples in groups of three.

    Examples
    --------
    >>> whole_number(1234567)
    '1\xa0234\xa0567'
    """
    return f"{value:,}".replace(",", "\N{NO-BREAK SPACE}")


def file_rates(session: Session) -> dict[str, int]:
    """Rate of each file, Hz, by its name."""
    return {shown(track.path.name): track.file_rate_hz for track in session.tracks}


def all_sentences(session: Session) -> tuple[str, ...]:
    """Say where all recorders of a session lie."""
    rates_hz = file_rates(session)
    return tuple(text for one in session.recorders for text in sentences(one, session.recorders[0], rates_hz))


def sentences(recorder: Recorder, reference: Recorder, rates_hz: dict[str, int]) -> tuple[str, ...]:
    """Say where a recorder lies and what to do about it.

    Parameters
    ----------
    recorder : Recorder
    reference : Recorder
    rates_hz : dict
        Rate of each file by its name.

    Returns
    -------
    tuple of str
        Nothing of the reference itself.
    """
    own, others = _files(recorder), _files(reference)
    if recorder.state == "reference":
        return ()
    if recorder.state == "several_places":
        places = listed([_side(place) for place in recorder.places_s[:4]])
        more = " and more" if len(recorder.places_s) > 4 else ""
        text = f"{own} fits in several places ({places}{more}): loops or a strict grid, so none was taken."
        return (text,)
    if recorder.state == "nothing_shared":
        searched = clock_time(recorder.searched_s)
        return (f"{own} shares no sound with {others} at any lag: all {searched} of it was compared.",)
    if recorder.state != "found":
        why = "is too short (under 20 s)" if recorder.state == "too_short" else "is silent"
        return (f"{own} {why} to be sought in {others}.",)
    return _found(recorder, reference, rates_hz)


def _found(recorder: Recorder, reference: Recorder, rates_hz: dict[str, int]) -> tuple[str, ...]:
    own, others = _files(recorder), _files(reference)
    start_s, drift_ppm = recorder.start_s or 0.0, recorder.drift_ppm or 0.0
    early = start_s < 0.0
    trimmed = recorder if early else reference
    # Trimmed by the clock of the file itself.
    length_s = -start_s * (1.0 + 1e-6 * drift_ppm) if early else start_s
    rate_hz = rates_hz.get(shown(trimmed.files[0].name), 0)
    samples = f" ({whole_number(round(length_s * rate_hz))} samples)" if rate_hz else ""
    trim = (
        f"{own} started {clock_time(start_s)} {'before' if early else 'after'} {others}: trim "
        f"{clock_time(length_s)}{samples} off the start of {own if early else others} to line them up."
    )
    out = [trim]
    if abs(drift_ppm) > 3.0 * (recorder.drift_std_ppm or 0.0) and abs(drift_ppm) >= 0.05:
        out.append(
            f"Its clock runs {'fast' if drift_ppm > 0 else 'slow'} by {number(abs(drift_ppm), 2)} ppm ± "
            f"{number(max(recorder.drift_std_ppm or 0.0, 0.01), 2)}, "
            f"{number(abs(drift_ppm) * _PER_HOUR_MS, 0)} ms an hour; in corrected copies that is taken out."
        )
    heads_s = recorder.header_start_s
    if heads_s is not None and abs(heads_s - start_s) > _HEADS_MISS_S:
        out.append(
            f"The start times in the files say {_side(heads_s)}: {clock_time(heads_s - start_s)} off what is "
            "heard."
        )
    return tuple(out)


def _side(start_s: float) -> str:
    return f"{clock_time(start_s)} {'before' if start_s < 0.0 else 'after'}"


def _files(recorder: Recorder) -> str:
    names: Sequence[str] = [shown(path.name) for path in recorder.files]
    if len(names) <= 2:
        return listed(list(names))
    return f"{names[0]} and {len(names) - 1} more files"
