"""``polaritykit pair``: verify a stereo pair."""

import json
from pathlib import Path

import click

from polaritykit.audio.session import open_session
from polaritykit.base.errors import UsageError
from polaritykit.base.terminal_safe import echo
from polaritykit.base.whole_files import check_output_folder
from polaritykit.jobs.pair.document import stereo_document
from polaritykit.jobs.pair.folder import write_pair
from polaritykit.jobs.pair.judge import judge_pair
from polaritykit.jobs.pair.schema import PairDocument
from polaritykit.jobs.pair.settings import StereoSettings
from polaritykit.jobs.pair.text import stereo_text
from polaritykit.pages.head import job_document


@click.command(name="pair")
@click.argument(
    "paths", metavar="A [B]", nargs=-1, required=True, type=click.Path(path_type=Path, readable=False)
)
@click.option("--json", "as_json", is_flag=True, help="Print the document to stdout and nothing else.")
@click.option(
    "--out", type=click.Path(path_type=Path), help="Folder for report.html, report.json (and the audio)."
)
@click.option("--overwrite", is_flag=True, help="Replace an earlier report in that folder.")
@click.option(
    "--audio", is_flag=True, help="Also write both mono sums, as recorded and B flipped; needs --out."
)
@click.option(
    "--max-offset-ms",
    type=click.FloatRange(0.1, 40.0),
    default=StereoSettings().max_offset_ms,
    show_default=True,
    help="Longest delay between the sides that is looked for.",
)
@click.option(
    "--plots", type=click.Choice(["png", "svg", "pdf"]), help="Write the charts as figures too; needs --out."
)
@click.option("--ignore-start-times", is_flag=True, help="Line up the files' first samples.")
def command(
    paths: tuple[Path, ...],
    *,
    as_json: bool,
    out: Path | None,
    overwrite: bool,
    audio: bool,
    plots: str | None,
    max_offset_ms: float,
    ignore_start_times: bool,
) -> None:
    """Verify a stereo pair: two mono files A B (left, right), or one stereo file.

    Says whether both sides are wired alike, how late one hears, what the mono
    sum loses and where, and whether a low-cut or a pad is on one side only.

    \b
    polaritykit pair piano_left.wav piano_right.wav --out piano
    """  # noqa: D301 (click reads \b itself)
    if (audio or plots) and out is None:
        raise UsageError("--audio and --plots need --out DIR: they must be written somewhere.")
    session = open_session(paths, ignore_start_times=ignore_start_times)
    if out is not None:
        check_output_folder(out, inputs=paths, overwrite=overwrite)
    found = judge_pair(session.recording, StereoSettings(max_offset_ms=max_offset_ms))
    document = job_document(
        "pair",
        stereo_document(found),
        model=PairDocument,
        name=session.name,
        sample_rate_hz=session.sample_rate_hz,
        n_samples=session.n_samples,
        notes=session.notes,
        tracks=session.tracks,
    )
    if out is not None:
        write_pair(
            out, document, session.recording, inputs=paths, overwrite=overwrite, audio=audio, plots=plots
        )
    echo(json.dumps(document, indent=1, allow_nan=False) if as_json else stereo_text(document))
