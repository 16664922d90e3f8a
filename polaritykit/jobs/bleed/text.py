"""Document of a leak to terminal text.

Conventions: reads the document only.
"""

from collections.abc import Iterator
from typing import Any

from polaritykit.base.track_names import the_source
from polaritykit.base.wording import number


def bleed_text(document: dict[str, Any]) -> str:
    """Text for the terminal: what to do, then what was measured."""
    bleed = document["bleed"]
    return "\n".join([*_answer(bleed), *_measured(bleed), *document["notes"]])


def _answer(bleed: dict[str, Any]) -> Iterator[str]:
    """Say what to do, then why, then the remarks."""
    said = bleed["said"]
    yield said["headline"]
    yield f"  Why: {said['why']}."
    yield from (f"- {remark}" for remark in said["remarks"])


def _measured(bleed: dict[str, Any]) -> Iterator[str]:
    overall = bleed["overall"]
    if overall is None:
        return
    names = list(overall["isolation_db"])
    full = bleed["goal"] == "fullness"
    yield ""
    if full:
        yield f"Level of {bleed['main']}'s own source in the sum, dBFS"
    else:
        yield f"Isolation of {the_source(bleed['main'])} over {the_source(bleed['leaky'])}, in the sum, dB"
    yield "octave Hz  " + "  ".join(f"{name.replace('_', ' '):>12}" for name in names)
    rows = [(f"{band['centre_hz']:g}", band) for band in bleed["bands"]]
    for label, row in [*rows, ("A-weighted", overall)]:
        shown = row["level_db"]["main"] if full else row["isolation_db"]
        yield f"{label:>9}  " + "  ".join(_cell(shown[name]) for name in names)
    yield from _changed(bleed, names[-1])
    if not all(band["reliable"] for band in bleed["bands"]):
        yield "A dash marks octaves in which the two sources cannot be told apart, or that hold only noise."


def _changed(bleed: dict[str, Any], name: str) -> Iterator[str]:
    """Show what one setting does to both sources, octave by octave."""
    yield ""
    yield f"Change of each source by the setting '{name.replace('_', ' ')}', dB"
    yield f"octave Hz  {bleed['main']:>16}  {bleed['leaky']:>16}"
    for band in bleed["bands"]:
        cells = (
            _with_std(band["change_db"][source][name], band["change_std_db"][source][name])
            for source in ("main", "leaky")
        )
        yield f"{band['centre_hz']:>9g}  " + "  ".join(f"{cell:>16}" for cell in cells)


def _with_std(value: float | None, std: float | None) -> str:
    if value is None or std is None:
        return "-"
    return f"{number(value, 1, signed=True)} ± {number(max(std, 0.1), 1)}"


def _cell(value: float | None) -> str:
    return f"{'-' if value is None else number(value, 1, signed=True):>12}"


def several_text(document: dict[str, Any]) -> str:
    """Text for the terminal, three or more mics."""
    return "\n".join([*_answer(document["bleed"]), *_leaks(document["bleed"]), *document["notes"]])


def _leaks(bleed: dict[str, Any]) -> Iterator[str]:
    """Show who leaks where, then what a flip of each mic does to the main source."""
    if bleed["leaks"]:
        yield ""
        yield "Isolation of each mic's own source over every other one, in that mic, dB"
        yield from _octave_rows(
            bleed["centre_hz"],
            {
                f"{leak['mic']} < {leak['source']}": (leak["isolation_db"], leak["isolation_std_db"])
                for leak in bleed["leaks"]
            },
        )
    if bleed["flipped"]:
        main = bleed["mics"][0]
        yield ""
        yield f"Change of {the_source(main)} in the sum of all mics by a flip of one, dB"
        yield from _octave_rows(
            bleed["centre_hz"],
            {
                mic: (one["change_db"][main], one["change_std_db"][main])
                for mic, one in zip(bleed["mics"], bleed["flipped"], strict=True)
            },
        )


def _octave_rows(centres_hz: list[float], columns: dict[str, Any]) -> Iterator[str]:
    width = max(14, *(len(name) for name in columns))
    yield "octave Hz  " + "  ".join(f"{name:>{width}}" for name in columns)
    for k, centre_hz in enumerate(centres_hz):
        cells = (_with_std(values[k], stds[k]) for values, stds in columns.values())
        yield f"{centre_hz:>9g}  " + "  ".join(f"{cell:>{width}}" for cell in cells)
