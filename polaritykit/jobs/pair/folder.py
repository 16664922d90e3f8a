"""Document of a stereo pair to its report folder: JSON, page, figures and the mono sums to hear.

Conventions: the folder appears whole or not at all; nothing is measured here.
"""

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from polaritykit.audio.mixdown import write_sum
from polaritykit.base.types import Json, Recording
from polaritykit.base.whole_files import output_folder
from polaritykit.jobs.pair.try_out import try_out
from polaritykit.jobs.pair.view import stereo_view
from polaritykit.pages.folder import fill_job
from polaritykit.pages.view import Sound


def write_pair(
    folder: Path,
    document: Json,
    recording: Recording,
    *,
    inputs: Sequence[Path],
    overwrite: bool,
    audio: bool = False,
    plots: str | None = None,
) -> None:
    """Write the report folder of a stereo pair.

    Parameters
    ----------
    folder : Path
    document : dict
    recording : Recording
        The pair, to see and hear.
    inputs : sequence of Path
        Files and folders that must not be written to.
    overwrite : bool
        Replace an earlier report.
    audio : bool
        Write both mono sums too.
    plots : {"png", "svg", "pdf"}, optional
        Write the charts as figures too.

    Raises
    ------
    UsageError
        The folder may not be written.
    """
    with output_folder(folder, inputs=inputs, overwrite=overwrite) as place:
        pair = document["pair"]
        inverted = None if pair["wiring"] == "unclear" else pair["wiring"] == "inverted"
        bench = try_out(
            recording,
            offset_ms=pair["offset_ms"],
            inverted=inverted,
            advised=None if pair["kind"] == "mid-side" else (pair["flip"] is not None, _shift_ms(pair)),
            audio=audio,
        )
        view = replace(stereo_view(document), bench=bench)
        if audio:
            mid_side = pair["kind"] == "mid-side"
            view = replace(view, sounds=(_write_decoded if mid_side else _write_sums)(place, recording, pair))
        fill_job(place, document, view, plots=plots)


def _shift_ms(pair: Json) -> float:
    """Shift of the second track against the first that is advised."""
    if pair["setting"] is None:
        return 0.0
    shift: float = pair["setting"]["shift_ms"]
    return shift if pair["setting"]["track"] == pair["other"] else -shift


def _write_decoded(place: Path, recording: Recording, pair: Json) -> tuple[Sound, ...]:
    """Write left and right of a mid and a side at half level."""
    mid_first = pair["reference"].startswith(f"{recording.track_names[0]} + ")
    side_off = (0.5, -0.5) if mid_first else (-0.5, 0.5)
    sides = (("left.wav", (0.5, 0.5), "reference"), ("right.wav", side_off, "other"))
    for name, weights, _ in sides:
        write_sum(place / name, recording, weights=weights, delays=(0, 0))
    return tuple(
        Sound(file=name, caption=f"{name.removesuffix('.wav').capitalize()}: {pair[key]}")
        for name, _, key in sides
    )


def _write_sums(place: Path, recording: Recording, pair: Json) -> tuple[Sound, ...]:
    """Write both mono sums at half level, so that neither clips."""
    flipped = pair["flip"] or pair["other"]
    sums = (
        ("mono_as_recorded.wav", 0.5, "Mono sum as recorded"),
        ("mono_flipped.wav", -0.5, f"Mono sum with {flipped} flipped"),
    )
    for name, sign, _ in sums:
        write_sum(place / name, recording, weights=(0.5, sign), delays=(0, 0))
    return tuple(Sound(file=name, caption=caption) for name, _, caption in sums)
