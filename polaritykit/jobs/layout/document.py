"""Predictions → JSON-safe documents and table rows; CSV, terminal and page read only these.

Conventions: as in `plan_records`.  JSON has no infinity: a complete cancellation is ``null`` with
``complete_cancellation`` true.
"""

from dataclasses import asdict

from polaritykit import __version__
from polaritykit.base.types import Json
from polaritykit.jobs.comb.document import SCHEMA_VERSION, comb_fields, sound_fields
from polaritykit.jobs.layout.records import (
    ComparedPair,
    Comparison,
    Layout,
    Plan,
    PlannedArrival,
    PlannedPair,
    SolvedPoints,
    Surface,
)


def layout_document(layout: Layout, *, sample_rate_hz: float, comparison: Comparison | None = None) -> Json:
    """Make the document of `polaritykit layout`.

    Parameters
    ----------
    layout : Layout
        The plan and its predictions.
    sample_rate_hz : float
        Rate in which delays are also given as samples.
    comparison : Comparison, optional
        A session held against the plan.

    Returns
    -------
    dict
        JSON-safe; ``against`` is None without a comparison.
    """
    plan = layout.plan
    return {
        "schema_version": SCHEMA_VERSION,
        "program": {"name": "polaritykit", "version": __version__},
        "command": "layout",
        "title": plan.title,
        "sample_rate": sample_rate_hz,
        **sound_fields(plan.sound),
        "tape_std_m": plan.tape_std_m,
        "sources": [{"name": source.name, "position_m": list(source.position_m)} for source in plan.sources],
        "mics": _mics(plan),
        "surfaces": [_surface(surface) for surface in plan.surfaces],
        "tapes": _tapes(plan.points),
        "arrivals": [_arrival(arrival, sample_rate_hz) for arrival in layout.arrivals],
        "pairs": [_pair(pair, sample_rate_hz) for pair in layout.pairs],
        "possible_offsets": [
            {
                "a": item.a,
                "b": item.b,
                "low_ms": item.low_ms,
                "high_ms": item.high_ms,
                "planned": [
                    {"source": name, "offset_ms": offset, "offset_std_ms": std}
                    for name, offset, std in item.planned_ms
                ],
            }
            for item in layout.ranges
        ],
        "remarks": list(layout.remarks),
        "against": None if comparison is None else _against(comparison),
    }


def _mics(plan: Plan) -> list[Json]:
    mics = []
    for mic in plan.mics:
        entry = asdict(mic)
        entry["position_m"] = list(mic.position_m)
        entry["other_side_of"] = list(mic.other_side_of)
        entry["aim"] = None if mic.aim is None else list(mic.aim)
        entry["polarity"] = "inverted" if entry.pop("inverted") else "same"
        mics.append(entry)
    return mics


def _surface(surface: Surface) -> Json:
    return {
        "name": surface.name,
        "point_m": list(surface.point_m),
        "normal": list(surface.normal),
        "reflection": surface.reflection,
    }


def _tapes(points: SolvedPoints) -> list[Json]:
    return [asdict(tape) for tape in points.tapes]


def _arrival(arrival: PlannedArrival, sample_rate_hz: float) -> Json:
    return {
        "source": arrival.source,
        "mic": arrival.mic,
        "distance_m": arrival.distance_m,
        "distance_std_m": arrival.distance_std_m,
        "time_ms": arrival.time_ms,
        "level_db": arrival.level_db,
        "level_std_db": arrival.level_std_db,
        "angle_deg": arrival.angle_deg,
        "polarity": arrival.polarity,
        "rear_lobe": arrival.rear_lobe,
        "bounces": [
            {
                "surface": bounce.surface,
                "offset_ms": bounce.offset_ms,
                "level_difference_db": bounce.level_difference_db,
                "comb": comb_fields(bounce.comb, sample_rate_hz),
            }
            for bounce in arrival.bounces
        ],
    }


def _pair(pair: PlannedPair, sample_rate_hz: float) -> Json:
    three = pair.three_to_one
    return {
        "source": pair.source,
        "a": pair.a,
        "b": pair.b,
        "offset_ms": pair.offset_ms,
        "offset_std_ms": pair.offset_std_ms,
        "offset_samples": pair.offset_ms * sample_rate_hz / 1000,
        "level_difference_db": pair.level_difference_db,
        "level_difference_std_db": pair.level_difference_std_db,
        "polarity": pair.polarity,
        "polarity_reason": pair.polarity_reason,
        "comb": None if pair.comb is None else comb_fields(pair.comb, sample_rate_hz),
        "three_to_one": None if three is None else {"ratio": three.ratio, "kept": three.kept},
        "linked": three is None,
        "of_interest": pair.of_interest,
    }


def _against(comparison: Comparison) -> Json:
    return {
        "session": comparison.session,
        "sample_rate": comparison.sample_rate_hz,
        "pairs": [_compared(pair) for pair in comparison.pairs],
        "tracks": [asdict(lag) for lag in comparison.lags],
        "missing": list(comparison.missing),
    }


def _compared(pair: ComparedPair) -> Json:
    entry = asdict(pair)
    for key in ("planned_notches_hz", "disagrees", "reasons"):
        entry[key] = list(entry[key])
    seen = pair.seen_notches_hz
    entry["seen_notches_hz"] = None if seen is None else list(seen)
    return entry
