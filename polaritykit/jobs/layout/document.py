"""Predictions → JSON-safe documents and table rows; CSV, terminal and page read only these.

Conventions: as in `records`.  JSON has no infinity: a complete cancellation is ``null`` with
``complete_cancellation`` true.
"""

from dataclasses import asdict

from polaritykit.base.types import Json
from polaritykit.base.validate import written
from polaritykit.jobs.comb.document import comb_fields, sound_fields
from polaritykit.jobs.layout.records import (
    Comparison,
    Layout,
    Plan,
    PlannedArrival,
    PlannedPair,
)
from polaritykit.jobs.layout.schema import LayoutDocument
from polaritykit.pages.head import head


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
    document = {
        **head("layout"),
        "title": plan.title,
        "sample_rate": sample_rate_hz,
        **sound_fields(plan.sound),
        "tape_std_m": plan.tape_std_m,
        "sources": [{"name": source.name, "position_m": source.position_m} for source in plan.sources],
        "mics": _mics(plan),
        "surfaces": [asdict(surface) for surface in plan.surfaces],
        "tapes": [asdict(tape) for tape in plan.points.tapes],
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
        "remarks": layout.remarks,
        "against": None if comparison is None else _against(comparison),
    }
    return written(document, LayoutDocument)


def _mics(plan: Plan) -> list[Json]:
    mics = []
    for mic in plan.mics:
        entry = asdict(mic)
        entry["polarity"] = "inverted" if entry.pop("inverted") else "same"
        mics.append(entry)
    return mics


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
        "pairs": [asdict(pair) for pair in comparison.pairs],
        "tracks": [asdict(lag) for lag in comparison.lags],
        "missing": comparison.missing,
    }
