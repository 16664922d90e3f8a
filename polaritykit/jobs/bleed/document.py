"""The bleed job's findings as a document.

Conventions: every level and isolation is in the plain sum ``main + leaky`` unless it says ``in_main_mic`` or
``in_leaky_mic``; ``null`` where an octave cannot tell the sources apart or holds only noise.
"""

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from polaritykit.jobs.bleed.findings import BleedFindings, BleedOption, MicsSetting, SeveralFindings
from polaritykit.jobs.bleed.several_words import several_headline, several_remarks, several_why
from polaritykit.jobs.bleed.words import headline, remark_words, why
from polaritykit.pages.head import rounded


def bleed_document(found: BleedFindings) -> dict[str, Any]:
    """Give the ``bleed`` part of the document."""
    options = found.options
    return {
        "main": found.main,
        "leaky": found.leaky,
        "goal": found.goal,
        "wiring": found.settled.wiring,
        "confidence": rounded(found.settled.confidence, 3),
        "polarity_code": found.polarity_code,
        "flip": found.flip,
        "delay_ms": rounded(found.delay_ms, 4),
        "said": {"headline": headline(found), "why": why(found), "remarks": list(remark_words(found))},
        "cross_checks": [
            {"centre_hz": one.centre_hz, "difference_db": rounded(one.difference_db, 1)}
            for one in found.cross_checks
        ],
        "settings": {
            name: {"flip_leaky": one.invert, "delay_ms": rounded(one.delay_ms, 4)}
            for name, one in options.items()
        },
        # How the sources were told apart: by passages alone, or by levels that move.
        "sources_from": ("levels" if found.together else "passages") if options else None,
        "passages": {
            "main_alone_s": [
                [rounded(start, 2), rounded(end, 2)] for start, end in found.passages.main_alone_s
            ],
            "leaky_alone_s": [
                [rounded(start, 2), rounded(end, 2)] for start, end in found.passages.leaky_alone_s
            ],
        },
        "leak_ms": {
            "main_source_in_leaky_mic": rounded(found.main_leak_ms, 2),
            "leaky_source_in_main_mic": rounded(found.leaky_leak_ms, 2),
        },
        "overall": None
        if not options
        else {
            "weighting": "A",
            "isolation_db": {name: rounded(one.overall_isolation_db, 1) for name, one in options.items()},
            "isolation_std_db": {
                name: rounded(one.overall_isolation_std_db, 1) for name, one in options.items()
            },
            "gain_db": _changes(options, "overall_gain_db"),
            "gain_std_db": _changes(options, "overall_gain_std_db"),
            "level_db": {
                "main": {name: rounded(one.overall_main_level_db, 1) for name, one in options.items()},
                "leaky": {name: rounded(one.overall_leaky_level_db, 1) for name, one in options.items()},
            },
        },
        "bands": [_band(found, options, index) for index in range(len(found.reliable))],
    }


def _changes(options: dict[str, BleedOption], field: str) -> dict[str, Any]:
    return {name: rounded(getattr(one, field), 1) for name, one in options.items() if name != "as_recorded"}


def _band(found: BleedFindings, options: dict[str, BleedOption], index: int) -> dict[str, Any]:
    """One octave; only the main mic's own level is known where the sources cannot be told apart."""
    reliable = found.reliable[index]

    def per_option(field: str, *, without: str = "") -> dict[str, float | None]:
        return {
            name: rounded(getattr(one, field)[index], 1) if reliable else None
            for name, one in options.items()
            if name != without
        }

    return {
        "centre_hz": found.centre_hz[index],
        "reliable": reliable,
        "useful": found.useful[index],
        "isolation_db": per_option("isolation_db"),
        "isolation_std_db": per_option("isolation_std_db"),
        "gain_db": per_option("gain_db", without="as_recorded"),
        "gain_std_db": per_option("gain_std_db", without="as_recorded"),
        "level_db": {"main": per_option("main_level_db"), "leaky": per_option("leaky_level_db")},
        "change_db": {
            "main": per_option("main_change_db", without="as_recorded"),
            "leaky": per_option("leaky_change_db", without="as_recorded"),
        },
        "change_std_db": {
            "main": per_option("main_change_std_db", without="as_recorded"),
            "leaky": per_option("leaky_change_std_db", without="as_recorded"),
        },
        "main_level_in_main_mic_db": rounded(found.main_alone_level_db[index], 1) if reliable else None,
        "isolation_in_main_mic_db": rounded(found.isolation_in_main_db[index], 1) if reliable else None,
        "isolation_in_leaky_mic_db": rounded(found.isolation_in_leaky_db[index], 1) if reliable else None,
    }


def several_document(found: SeveralFindings) -> dict[str, Any]:
    """Give the ``bleed`` part of the document for three or more mics."""
    remarks = list(several_remarks(found))
    return {
        "mics": found.mics,
        "goal": found.goal,
        "reason": found.reason,
        "wiring_flips": found.wiring_flips,
        "wiring_open": found.wiring_open,
        "said": {"headline": several_headline(found), "why": several_why(found), "remarks": remarks},
        "centre_hz": found.centre_hz,
        "leaks": [
            {
                **asdict(leak),
                "isolation_db": [rounded(value, 1) for value in leak.isolation_db],
                "isolation_std_db": [rounded(value, 1) for value in leak.isolation_std_db],
                "overall_isolation_db": rounded(leak.overall_isolation_db, 1),
                "overall_isolation_std_db": rounded(leak.overall_isolation_std_db, 1),
                "late_ms": rounded(leak.late_ms, 2),
            }
            for leak in found.leaks
        ],
        "flipped": [_mics_setting(found, one) for one in found.flipped],
        "advised": None if found.advised is None else _mics_setting(found, found.advised),
    }


def _mics_setting(found: SeveralFindings, setting: MicsSetting) -> dict[str, Any]:
    told = dict(zip(found.mics, found.told, strict=True))

    def known(values: Sequence[float], source: str) -> list[float | None]:
        return [rounded(value, 1) if sure else None for value, sure in zip(values, told[source], strict=True)]

    return {
        "flips": setting.flips,
        "delays_ms": {name: rounded(delay_ms, 4) for name, delay_ms in setting.delays_ms.items()},
        "change_db": {name: known(values, name) for name, values in setting.change_db.items()},
        "change_std_db": {name: known(values, name) for name, values in setting.change_std_db.items()},
        "overall_gain_db": rounded(setting.overall_gain_db, 1),
        "overall_gain_std_db": rounded(setting.overall_gain_std_db, 1),
    }
