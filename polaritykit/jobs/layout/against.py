"""A measured session held against its mic plan: what disagrees by more than the uncertainty, and why.

Conventions: errors are measured minus planned; offsets of b against a, positive when b is late.  The
session comes as the document of a check (`report.json`).
"""

from dataclasses import replace
from typing import NamedTuple

import numpy as np

from polaritykit.base.errors import InputError
from polaritykit.base.types import Json, Polarity
from polaritykit.jobs.comb.inputs import LEVEL_STD_DB
from polaritykit.jobs.layout.records import ComparedPair, Comparison, Layout, PlannedPair
from polaritykit.jobs.layout.track_lags import COVERAGE_SIGMAS, track_lags
from polaritykit.spectra.comb import seen_notches_hz
from polaritykit.spectra.stored import stored_pair

#: A level step this near 10 or 20 dB suggests a pad on one side.
_PAD_WINDOW_DB = 1.5
#: A measured notch must fall this deep under its surroundings to count as seen.
_SEEN_NOTCH_DB = 3.0

#: Notches looked for in a measured sum: higher ones are washed out by the size of any real source.
_NOTCHES_TRIED = 8


class _Measured(NamedTuple):
    """One source at one pair as the report has it, turned to the plan's order."""

    offset_ms: float | None
    offset_std_ms: float
    polarity: Polarity | None
    level_db: float | None


def compare(layout: Layout, report: Json) -> Comparison:
    """Hold a session's report against the plan.

    Parameters
    ----------
    layout : Layout
        The plan with its predictions.
    report : dict
        Document of a check, as `commands.report_file` reads it.

    Returns
    -------
    Comparison

    Raises
    ------
    InputError
        If the report shares no track with the plan, or its curves cannot be read.
    """
    rate_hz = float(report["sample_rate"])
    tracks = {track["name"] for track in report["tracks"]}
    mics = {mic.name: mic.track for mic in layout.plan.mics}
    known = {name for name, track in mics.items() if track in tracks}
    if len(known) < 2:
        raise InputError(
            f"The plan's mics ({', '.join(mics.values())}) and the report's tracks "
            f"({_printable(', '.join(sorted(tracks)))}) have fewer than two names in common: "
            'give each mic its track = "name" in the plan.'
        )
    homes = _homes(layout, report)
    compared = tuple(
        _compare_pair(pair, (mics[pair.a], mics[pair.b]), homes.get(pair.source), report)
        for pair in layout.pairs
        if pair.a in known and pair.b in known
    )
    lags = track_lags(compared, rate_hz, layout.plan.sound.speed_mps)
    missing = tuple(name for name in mics if name not in known) + tuple(
        source.name for source in layout.plan.sources if source.name not in homes
    )
    return Comparison(
        session=_printable(str(report.get("session", {}).get("name") or "session")),
        sample_rate_hz=rate_hz,
        pairs=_with_polarity_reasons(compared),
        lags=lags,
        missing=missing,
    )


def _printable(text: str) -> str:
    """Keep what a file name may hide from steering a terminal."""
    return "".join(char if char.isprintable() else "?" for char in text)


def _homes(layout: Layout, report: Json) -> dict[str, str]:
    """Home track in the report of every planned source that it knows."""
    reported = {source["home"] for pair in report["pairs"] for source in pair.get("sources") or ()}
    tracks = {mic.name: mic.track for mic in layout.plan.mics}
    homes = {}
    for source in layout.plan.sources:
        arrivals = [arrival for arrival in layout.arrivals if arrival.source == source.name]
        nearest = min(arrivals, key=lambda arrival: arrival.distance_m).mic
        candidates = [source.track] if source.track else [source.name, tracks[nearest]]
        found = next((name for name in candidates if name in reported), None)
        if found is not None:
            homes[source.name] = found
    return homes


def _measured(pair: Json, home: str, report: Json, a: str, b: str) -> _Measured | None:
    """Return what the report says of one source at one pair, or None."""
    sign = 1.0 if pair["reference"] == a else -1.0
    source = next((item for item in pair.get("sources") or () if item["home"] == home), None)
    if source is None:
        return None
    offset = source["offset_ms"]
    polarity = source["polarity"] if source["polarity"] in ("same", "inverted", "unclear") else None
    return _Measured(
        offset_ms=None if offset is None else sign * float(offset),
        offset_std_ms=float(source.get("offset_std_ms") or 0.0),
        polarity=polarity,
        level_db=_measured_level(report, home, a, b),
    )


def _measured_level(report: Json, home: str, a: str, b: str) -> float | None:
    """Level of b over a for one source, from the report's arrivals."""
    for source in report.get("sources") or ():
        if source["home"] == home:
            levels = {item["track"]: item.get("level_db") for item in source.get("arrivals") or ()}
            if levels.get(a) is not None and levels.get(b) is not None:
                return float(levels[b]) - float(levels[a])
    return None


def _compare_pair(
    planned: PlannedPair, tracks: tuple[str, str], home: str | None, report: Json
) -> ComparedPair:
    """Planned beside measured for one source."""
    entry = next(
        (pair for pair in report["pairs"] if {pair["reference"], pair["other"]} == set(tracks)), None
    )
    found = _measured(entry, home, report, *tracks) if entry is not None and home is not None else None
    measured = found or _Measured(None, 0.0, None, None)
    std_ms = float(np.hypot(planned.offset_std_ms, measured.offset_std_ms))
    error_ms = None if measured.offset_ms is None else measured.offset_ms - planned.offset_ms
    level_error = level_std = None
    if planned.level_difference_db is not None and measured.level_db is not None:
        level_error = measured.level_db - planned.level_difference_db
        level_std = float(np.hypot(planned.level_difference_std_db or 0.0, LEVEL_STD_DB))

    disagrees, reasons = [], []
    if error_ms is not None and abs(error_ms) > COVERAGE_SIGMAS * std_ms:
        disagrees.append("offset")
    if {planned.polarity, measured.polarity} == {"same", "inverted"}:
        disagrees.append("polarity")
    if level_error is not None and abs(level_error) > COVERAGE_SIGMAS * (level_std or 0.0):
        disagrees.append("level")
        reasons.append(_level_reason(planned, level_error))
    expected, seen = _notches(planned, tracks, report)
    if seen is not None and len(seen) < len(expected) / 2:
        disagrees.append("notches")
        reasons.append(
            f"The measured sum shows {len(seen)} of the first {len(expected)} planned notches: reflections "
            "or other sources fill them, or the offset is another."
        )
    return ComparedPair(
        source=planned.source,
        a=planned.a,
        b=planned.b,
        planned_offset_ms=planned.offset_ms,
        measured_offset_ms=measured.offset_ms,
        offset_error_ms=error_ms,
        offset_std_ms=std_ms,
        planned_polarity=planned.polarity,
        measured_polarity=measured.polarity,
        planned_level_db=planned.level_difference_db,
        measured_level_db=measured.level_db,
        level_error_db=level_error,
        level_std_db=level_std,
        planned_notches_hz=expected,
        seen_notches_hz=seen,
        disagrees=tuple(disagrees),
        reasons=tuple(reasons),
    )


def _level_reason(planned: PlannedPair, error_db: float) -> str:
    softer = planned.b if error_db < 0 else planned.a
    for pad in (10, 20):
        if abs(abs(error_db) - pad) <= _PAD_WINDOW_DB:
            return (
                f"{softer} is {abs(error_db):.0f} dB softer than planned: a pad of {pad} dB on this side "
                "only fits (common practice: pads are 10 or 20 dB)."
            )
    return (
        f"{softer} is {abs(error_db):.0f} dB softer than planned: preamp gain or sensitivity differ by that "
        "much (gain_db in the plan, if known), or the distance is another."
    )


def _notches(
    planned: PlannedPair, tracks: tuple[str, str], report: Json
) -> tuple[tuple[float, ...], tuple[float, ...] | None]:
    """First planned notches, and those seen in the measured sum where the report keeps the spectra."""
    comb = planned.comb
    if comb is None or (comb.ripple_db is not None and comb.ripple_db < 2 * _SEEN_NOTCH_DB):
        return (), None
    expected = comb.notches_hz[comb.notches_hz > 0][:_NOTCHES_TRIED]
    curves = report.get("curves") or {}
    entry = next(
        (
            item
            for item in curves.get("pairs") or ()
            if {item["reference"], item["other"]} == set(tracks) and item.get("cross")
        ),
        None,
    )
    if entry is None or len(expected) < 2:
        return tuple(expected.tolist()), None
    try:
        spectra = stored_pair(curves, entry).spectra
    except (KeyError, ValueError) as error:
        raise InputError(
            f"The report's curves of {' and '.join(tracks)} cannot be read; run polaritykit check again."
        ) from error
    total = spectra.auto_a + spectra.auto_b
    seen = seen_notches_hz(
        spectra.frequency_hz,
        total + 2 * np.real(spectra.cross),
        total,
        expected,
        least_db=_SEEN_NOTCH_DB,
    )
    return tuple(expected.tolist()), tuple(seen.tolist())


def _with_polarity_reasons(pairs: tuple[ComparedPair, ...]) -> tuple[ComparedPair, ...]:
    """Add why a polarity disagrees: a mic whose every source does is wired or switched the other way."""
    judged = [
        pair for pair in pairs if {pair.planned_polarity, pair.measured_polarity} <= {"same", "inverted"}
    ]
    wrong = [pair for pair in judged if "polarity" in pair.disagrees]

    def share(mic: str) -> float:
        of = [pair for pair in judged if mic in (pair.a, pair.b)]
        return sum("polarity" in pair.disagrees for pair in of) / len(of)

    done = []
    for pair in pairs:
        if pair in wrong:
            worse = pair.a if share(pair.a) > share(pair.b) else pair.b
            rest = "" if share(pair.a) != share(pair.b) else f" (or {pair.a}: two mics cannot tell)"
            reason = (
                f"{worse}{rest} has the other polarity for every source it shares: wiring, adapter or "
                "polarity switch."
                if share(worse) == 1.0
                else f"Other sources of {worse} agree: it hears {pair.source} from its other side, or "
                "from its rear."
            )
            done.append(replace(pair, reasons=(*pair.reasons, reason)))
        else:
            done.append(pair)
    return tuple(done)
