"""``polaritykit pair``: verify a stereo pair."""

import json
from dataclasses import replace
from pathlib import Path
from typing import get_args

import click

from polaritykit.base.errors import UsageError
from polaritykit.base.terminal_safe import echo
from polaritykit.base.whole_files import check_output_folder
from polaritykit.jobs.pair.document import stereo_document
from polaritykit.jobs.pair.findings import PairKind
from polaritykit.jobs.pair.folder import write_pair
from polaritykit.jobs.pair.judge import judge_pair
from polaritykit.jobs.pair.schema import PairDocument
from polaritykit.jobs.pair.text import stereo_text
from polaritykit.pages.head import job_document
from polaritykit.recorders.open import open_lined_up
from polaritykit.recorders.parts import RecorderParts
from polaritykit.recorders.words import all_sentences


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
    "--kind",
    type=click.Choice(get_args(PairKind)),
    help="What the two are; left out: told by their names and what they share.",
)
@click.option(
    "--plots", type=click.Choice(["png", "svg", "pdf"]), help="Write the charts as figures too; needs --out."
)
@click.option(
    "--max-offset-ms", type=float, hidden=True, deprecated="It searches as wide as check by itself."
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
    kind: PairKind | None,
    max_offset_ms: float | None,
    ignore_start_times: bool,
) -> None:
    """Verify a stereo pair: two mono files A B (left, right), or one stereo file.

    Says whether both sides are wired alike, how late one hears, what the mono
    sum loses and where, and whether a low-cut or a pad is on one side only.

    \b
    polaritykit pair piano_left.wav piano_right.wav --out piano
    """  # noqa: D301 (click reads \b itself)
    del max_offset_ms  # understood for one version more
    if (audio or plots) and out is None:
        raise UsageError("--audio and --plots need --out DIR: they must be written somewhere.")
    session = open_lined_up(paths, ignore_start_times=ignore_start_times, own_spans=False)
    if out is not None:
        check_output_folder(out, inputs=paths, overwrite=overwrite)
    found = judge_pair(session.recording, kind)
    silent = found.level_difference_db is None
    if found.offset_ms is None and not (found.wiring.mixed or silent or session.recorders):
        # Files of one length that did not start together after all?
        apart = {track.path for track in session.tracks}
        again = open_lined_up(paths, ignore_start_times=ignore_start_times, apart=apart, own_spans=False)
        session = replace(session, recorders=again.recorders)
        if any(recorder.state == "found" for recorder in again.recorders):
            session, found = again, judge_pair(again.recording, kind)
    document = job_document(
        "pair",
        stereo_document(found, RecorderParts(session)),
        model=PairDocument,
        name=session.name,
        sample_rate_hz=session.sample_rate_hz,
        n_samples=session.n_samples,
        notes=(*session.notes, *all_sentences(session)),
        tracks=session.tracks,
    )
    if out is not None:
        write_pair(
            out, document, session.recording, inputs=paths, overwrite=overwrite, audio=audio, plots=plots
        )
    echo(json.dumps(document, indent=1, allow_nan=False) if as_json else stereo_text(document))
