"""Document of a comb to terminal text and CSV.

Conventions: reads the document only; digits are cut to the uncertainty.
"""

from collections.abc import Sequence

from polaritykit.base.types import Json
from polaritykit.base.wording import measured
from polaritykit.pages.text import table_csv

#: Notches listed in the terminal; the rest is counted.
_LISTED = 8


#: Below the figures of a comb.
COMB_FOOTNOTE = "± is one standard uncertainty; depth and height are against the louder of the two alone."


def comb_text(document: Json) -> str:
    """Answer in words first, then figures, then what was assumed."""
    lines = [comb_headline(document), ""]
    lines += [f"{name:<17} {value}" for name, value in comb_rows(document)]
    lines += ["", *document["remarks"], COMB_FOOTNOTE]
    return "\n".join(lines) + "\n"


def comb_rows(document: Json) -> list[tuple[str, str]]:
    """Give the figures of a comb with their names."""
    return [
        ("Delay", _delay(document)),
        ("Path difference", measured(100 * document["path_difference_m"],
                                   100 * document["path_difference_std_m"], "cm", decimals=1)),
        ("Polarity", document["polarity"]),
        ("Level difference", measured(document["level_difference_db"],
                                    document["level_difference_std_db"], "dB", decimals=1)),
        ("Notches", _frequencies(document["notches_hz"], document["notches_std_hz"], document["up_to_hz"])),
        ("Peaks", _frequencies(document["peaks_hz"], document["peaks_std_hz"], document["up_to_hz"])),
        ("Notch depth", notch_depth(document)),
        ("Peak height", measured(document["peak_height_db"],
                                 document["peak_height_std_db"], "dB", decimals=2)),
        ("Ripple", "complete" if document["ripple_db"] is None
         else measured(document["ripple_db"], document["ripple_std_db"], "dB", decimals=2)),
        ("Speed of sound", sound_words(document)),
    ]  # fmt: skip


def comb_headline(document: Json) -> str:
    """Say what happens in one sentence."""
    first = document["first_notch_hz"]
    if first is None:
        return "There is no notch." if document["delay_ms"] <= 1e-9 else (
            f"There is no notch below {document['up_to_hz']:g} Hz."
        )  # fmt: skip
    note = document["first_notch_note"]
    near = f", near {note}" if note else ""
    zero = " above 0 Hz, which is cancelled too," if document["polarity"] == "inverted" else ""
    frequency = measured(first, document["first_notch_std_hz"], "Hz", decimals=1)
    return f"The first notch{zero} is at {frequency}{near}; its depth: {notch_depth(document)}."


def _delay(document: Json) -> str:
    samples = measured(document["delay_samples"], document["delay_std_samples"], "samples", decimals=1)
    time = measured(document["delay_ms"], document["delay_std_ms"], "ms", decimals=3)
    return f"{time} ({samples} at {document['sample_rate'] / 1000:g} kHz)"


def notch_depth(comb: Json) -> str:
    """Depth with its uncertainty, or "complete"; its least value where it may be complete."""
    if comb["notch_depth_least_db"] is None:
        return "complete"
    if comb["level_difference_db"] <= comb["level_difference_std_db"]:
        return f"over {comb['notch_depth_least_db']:.0f} dB"
    return measured(comb["notch_depth_db"], comb["notch_depth_std_db"], "dB", decimals=2)


def sound_words(document: Json) -> str:
    """Speed of sound, its uncertainty and where it comes from."""
    speed = measured(document["speed_of_sound_mps"], document["speed_of_sound_std_mps"], "m/s", decimals=1)
    if document["temperature_c"] is None:
        return f"{speed} (given)"
    return (
        f"{speed} ({document['temperature_c']:g} °C, {document['humidity_percent']:g} % humidity, "
        f"{document['speed_of_sound_formula']})"
    )


def _frequencies(values: Sequence[float], stds: Sequence[float], up_to_hz: float) -> str:
    if not values:
        return f"none up to {up_to_hz:g} Hz"
    shown = ", ".join(
        measured(value, std or None, decimals=0 if value == 0 else 1)
        for value, std in list(zip(values, stds, strict=True))[:_LISTED]
    )
    more = f" Hz and {len(values) - _LISTED} more up to {up_to_hz:g} Hz" if len(values) > _LISTED else " Hz"
    return shown + more


def comb_csv(document: Json) -> str:
    """One row per notch and peak, by frequency."""
    rows = [
        (frequency, std, kind)
        for kind in ("notch", "peak")
        for frequency, std in zip(
            document["notches_hz" if kind == "notch" else "peaks_hz"],
            document["notches_std_hz" if kind == "notch" else "peaks_std_hz"],
            strict=True,
        )
    ]
    level = {
        "notch": None if document["notch_depth_db"] is None else -document["notch_depth_db"],
        "peak": document["peak_height_db"],
    }
    return table_csv(
        ("kind", "frequency_hz", "frequency_std_hz", "level_db"),
        [(kind, frequency, std, level[kind]) for frequency, std, kind in sorted(rows)],
    )
