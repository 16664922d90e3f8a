"""Promised and had: what a correction should have gained by the first report, and what the second shows.

Conventions: gains are the change, in dB, of the level of *a + b* against the power sum of the two, in the
band of a source, from before to after.  Only pairs whose curves both documents keep can be compared.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from polaritykit.curves import stored_pair
from polaritykit.records import PairSpectra
from polaritykit.summing import sum_level_db


@dataclass(frozen=True, kw_only=True)
class GainKept:
    """One source in one pair, before and after."""

    reference: str
    other: str
    #: Home track of the source.
    home: str
    band_hz: tuple[float, float]
    #: From the spectra before, with the settings reckoned in.
    promised_db: float
    #: From the spectra before and those of the copies.
    had_db: float


def kept_gains(
    before: Mapping[str, Any], after: Mapping[str, Any], applied: list[dict[str, Any]]
) -> tuple[GainKept, ...]:
    """Compare two documents of one session, before and after its corrections.

    Parameters
    ----------
    before, after : mapping
        Documents with the same tracks.
    applied : list of dict
        What was done to each track: ``name``, ``invert``, ``delay_ms``, as in ``applied.json``.

    Returns
    -------
    tuple of GainKept
        For every source of every pair whose tracks were set differently from one another.
    """
    settings = {entry["name"]: (bool(entry["invert"]), float(entry["delay_ms"])) for entry in applied}
    old, new = _spectra(before), _spectra(after)
    gains = []
    for pair in before["pairs"]:
        key = pair["reference"], pair["other"]
        if key not in old or key not in new:
            continue
        first, second = (settings.get(name, (False, 0.0)) for name in key)
        invert, delay_ms = first[0] != second[0], second[1] - first[1]
        if not invert and delay_ms == 0.0:
            continue
        for source in pair["sources"]:
            if source.get("band_hz"):
                gain = _gain(old[key], new[key], tuple(source["band_hz"]), invert=invert, delay_ms=delay_ms)
                if gain is not None:
                    promised, had = gain
                    kept = GainKept(
                        reference=key[0],
                        other=key[1],
                        home=source["home"],
                        band_hz=tuple(source["band_hz"]),
                        promised_db=promised,
                        had_db=had,
                    )
                    gains.append(kept)
    return tuple(gains)


def _spectra(document: Mapping[str, Any]) -> dict[tuple[str, str], PairSpectra]:
    curves = document["curves"]
    return {
        (entry["reference"], entry["other"]): stored_pair(curves, entry).spectra for entry in curves["pairs"]
    }


def _gain(
    old: PairSpectra, new: PairSpectra, band_hz: tuple[float, float], *, invert: bool, delay_ms: float
) -> tuple[float, float] | None:
    recorded = sum_level_db(old, band_hz=band_hz)
    expected = sum_level_db(old, band_hz=band_hz, delay_ms=delay_ms, invert=invert)
    measured = sum_level_db(new, band_hz=band_hz)
    if recorded is None or expected is None or measured is None:
        return None
    return expected - recorded, measured - recorded


def kept_text(gains: tuple[GainKept, ...]) -> str:
    """Tell the gains in lines, the largest promise first."""
    if not gains:
        return "No pair was changed whose gain could be measured again."
    worst = max(abs(gain.had_db - gain.promised_db) for gain in gains)
    lines = [f"Measured again: {len(gains)} promised gains, the worst {worst:.1f} dB off."]
    for gain in sorted(gains, key=lambda gain: -abs(gain.promised_db))[:12]:
        low, high = gain.band_hz
        lines.append(
            f"  {gain.reference} + {gain.other}, {gain.home} ({low:.0f} to {high:.0f} Hz): "
            f"promised {gain.promised_db:+.1f} dB, had {gain.had_db:+.1f} dB"
        )
    if len(gains) > 12:
        lines.append(f"  and {len(gains) - 12} more in applied.json")
    return "\n".join(lines)
