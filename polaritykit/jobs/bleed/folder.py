"""Document of a leaky mic to its report folder: JSON, page, figures and the sums to hear.

Conventions: the folder appears whole or not at all; nothing is measured here.
"""

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from polaritykit.audio.mixdown import write_sum
from polaritykit.base.types import Json, Recording
from polaritykit.base.whole_files import output_folder
from polaritykit.jobs.bleed.findings import BleedFindings
from polaritykit.jobs.bleed.view import bleed_view, several_view
from polaritykit.jobs.pair.try_out import try_out
from polaritykit.pages.folder import fill_job
from polaritykit.pages.view import Sound


def write_bleed(
    folder: Path,
    document: Json,
    recording: Recording,
    *,
    inputs: Sequence[Path],
    overwrite: bool,
    sums: BleedFindings | None = None,
    plots: str | None = None,
) -> None:
    """Write the report folder of a leaky mic.

    Parameters
    ----------
    folder : Path
    document : dict
    recording : Recording
        The two mics, to see and hear.
    inputs : sequence of Path
        Files and folders that must not be written to.
    overwrite : bool
        Replace an earlier report.
    sums : BleedFindings, optional
        Write the sum of every option that was judged too.
    plots : {"png", "svg", "pdf"}, optional
        Write the charts as figures too.

    Raises
    ------
    UsageError
        The folder may not be written.
    """
    with output_folder(folder, inputs=inputs, overwrite=overwrite) as place:
        bleed = document["bleed"]
        settled = bleed["polarity_code"] not in ("together", "listen")
        bench = try_out(
            recording,
            offset_ms=bleed["leak_ms"]["main_source_in_leaky_mic"],
            inverted=None if bleed["wiring"] == "unclear" else bleed["wiring"] == "inverted",
            advised=(bleed["flip"] is not None, bleed["delay_ms"] or 0.0) if settled else None,
            audio=sums is not None,
        )
        view = replace(bleed_view(document), bench=bench)
        if sums is not None:
            view = replace(view, sounds=_write_sums(place, recording, sums))
        fill_job(place, document, view, plots=plots)


def write_several(
    folder: Path,
    document: Json,
    recording: Recording,
    *,
    inputs: Sequence[Path],
    overwrite: bool,
    audio: bool = False,
    plots: str | None = None,
) -> None:
    """Write the report folder of three or more mics.

    Parameters
    ----------
    folder : Path
    document : dict
    recording : Recording
        The mics, to hear.
    inputs : sequence of Path
        Files and folders that must not be written to.
    overwrite : bool
        Replace an earlier report.
    audio : bool
        Write the sums of all mics as recorded and as advised too.
    plots : {"png", "svg", "pdf"}, optional
        Write the charts as figures too.

    Raises
    ------
    UsageError
        The folder may not be written.
    """
    with output_folder(folder, inputs=inputs, overwrite=overwrite) as place:
        view = several_view(document)
        advised = document["bleed"]["advised"]
        if audio:
            settings: dict[str, tuple[Sequence[str], dict[str, float]]] = {"as_recorded": ((), {})}
            if advised is not None:
                settings["advised"] = (advised["flips"], advised["delays_ms"])
            view = replace(view, sounds=_write_mixes(place, recording, settings))
        fill_job(place, document, view, plots=plots)


def _write_mixes(
    place: Path, recording: Recording, settings: dict[str, tuple[Sequence[str], dict[str, float]]]
) -> tuple[Sound, ...]:
    """Write sums of all mics, so low that none clips."""
    names, sounds = recording.track_names, []
    for label, (flips, delays_ms) in settings.items():
        write_sum(
            place / f"sum_{label}.wav",
            recording,
            weights=tuple((-1.0 if name in flips else 1.0) / len(names) for name in names),
            delays=tuple(round(delays_ms.get(name, 0.0) * recording.sample_rate_hz / 1e3) for name in names),
        )
        sounds.append(Sound(file=f"sum_{label}.wav", caption=f"Sum {label.replace('_', ' ')}"))
    return tuple(sounds)


def _write_sums(place: Path, recording: Recording, found: BleedFindings) -> tuple[Sound, ...]:
    """Write the sums at half level, so that none clips."""
    sounds = []
    judged = {"as_recorded": (False, 0.0), "flipped": (True, 0.0)}
    judged |= {name: (one.invert, one.delay_ms) for name, one in found.options.items()}
    for name, (invert, delay_ms) in judged.items():
        samples = round(delay_ms * recording.sample_rate_hz / 1000.0)
        write_sum(
            place / f"sum_{name}.wav",
            recording,
            weights=(0.5, -0.5 if invert else 0.5),
            delays=(max(0, -samples), max(0, samples)),
        )
        sounds.append(Sound(file=f"sum_{name}.wav", caption=f"Sum {name.replace('_', ' ')}"))
    return tuple(sounds)
