"""``polaritykit pulse``: make a line-check signal, and read absolute polarity from its recording."""

import json
from pathlib import Path
from typing import cast

import click

from polaritykit.audio.session import open_session
from polaritykit.base.errors import UsageError
from polaritykit.base.file_names import opened_as, shown, stored
from polaritykit.base.terminal_safe import echo
from polaritykit.base.whole_files import check_output_folder, output_folder, replacing
from polaritykit.jobs.pulse.document import pulse_document
from polaritykit.jobs.pulse.read import read_signal
from polaritykit.jobs.pulse.signal import CAUTIONS, TWO_TONE_LIMIT, SignalKind, make_signal
from polaritykit.jobs.pulse.text import pulse_text
from polaritykit.jobs.pulse.view import pulse_view
from polaritykit.pages.folder import fill_job

#: File ending -> libsndfile's container.
_FORMATS = {".wav": "WAV", ".flac": "FLAC", ".aif": "AIFF", ".aiff": "AIFF"}
_KIND = click.option(
    "--kind",
    type=click.Choice(["pulse", "two-tone"]),
    default="pulse",
    show_default=True,
    help="The pulses; or the two tones of AES17, for cables and converters only.",
)


@click.group(name="pulse")
def command() -> None:
    """Find out which microphone, cable or adapter inverts.

    Play the made signal through one loudspeaker (or straight into the line),
    record it on every channel, then read the recording.  It is heard as about
    8 s of dry crackle.
    """


@command.command(name="make")
@click.argument("out", type=click.Path(path_type=Path, dir_okay=False))
@_KIND
@click.option("--level", default=-30.0, show_default=True, metavar="DBFS", help="Highest peak, -90 to -10.")
@click.option("--rate", default=48000, show_default=True, metavar="HZ", help="Sample rate, 16000 to 384000.")
@click.option("--overwrite", is_flag=True, help="Replace OUT when it exists.")
def make(out: Path, kind: str, level: float, rate: int, overwrite: bool) -> None:
    """Write the line-check signal to OUT (.wav, .flac or .aiff, 24 bit, mono).

    Start with monitors and headphones turned down.  The default peak is -30 dBFS.

    \b
    polaritykit pulse make check.wav --level -40
    """  # noqa: D301 (click reads \b itself)
    import soundfile

    container = _FORMATS.get(out.suffix.lower())
    if container is None:
        raise UsageError(f"{out.name} has no known ending; use {', '.join(_FORMATS)}.")
    if out.exists() and not overwrite:
        raise UsageError(f"{out} exists; choose another name, or use --overwrite to replace it.")
    samples = make_signal(kind=cast("SignalKind", kind), sample_rate_hz=rate, level_dbfs=level)
    with replacing(out) as temporary:
        soundfile.write(opened_as(temporary), samples, rate, subtype="PCM_24", format=container)
    echo(f"written: {shown(out)} ({len(samples) / rate:.1f} s, peak {level:g} dBFS)", err=True)
    echo("Before it is played:", err=True)
    for caution in CAUTIONS:
        echo(f"- {caution}", err=True)
    if kind == "two-tone":
        echo(TWO_TONE_LIMIT, err=True)


@command.command(name="read")
@click.argument(
    "files", nargs=-1, required=True, metavar="FILES...", type=click.Path(path_type=Path, readable=False)
)
@_KIND
@click.option("--json", "as_json", is_flag=True, help="Print the readings as JSON and nothing else.")
@click.option("--out", type=click.Path(path_type=Path), help="Folder for report.html and report.json.")
@click.option("--overwrite", is_flag=True, help="Replace an earlier report in that folder.")
@click.option(
    "--ignore-start-times", is_flag=True, help="Line up the files' first samples, whatever their start times."
)
def read(
    files: tuple[Path, ...],
    *,
    kind: str,
    as_json: bool,
    out: Path | None,
    overwrite: bool,
    ignore_start_times: bool,
) -> None:
    """Read absolute polarity and latency of each channel from recordings of the signal.

    FILES are files or one folder.  Latency counts from the first sample of the
    recording, as when playing and recording start together; the lateness of one
    channel against another is right in any case.

    \b
    polaritykit pulse read check_recorded.wav --out line_check
    """  # noqa: D301 (click reads \b itself)
    session = open_session(list(files), ignore_start_times=ignore_start_times, min_tracks=1, own_spans=False)
    if out is not None:
        check_output_folder(out, inputs=files, overwrite=overwrite)
    readings = read_signal(session.recording, kind=cast("SignalKind", kind))
    document = pulse_document(
        readings,
        kind=cast("SignalKind", kind),
        sample_rate_hz=session.sample_rate_hz,
        notes=session.notes,
        tracks=session.tracks,
        left_out=[{**stored(fault.path.name), "fault": fault.fault} for fault in session.faulty],
    )
    if out is not None:
        with output_folder(out, inputs=files, overwrite=overwrite) as folder:
            fill_job(folder, document, pulse_view(document))
    if as_json:
        echo(json.dumps(document, indent=1, ensure_ascii=False))
        return
    for note in session.notes:
        echo(note, err=True)
    echo(pulse_text(document))
