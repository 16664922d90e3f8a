"""``polaritykit bleed``: whether flipping or delaying a leaky mic helps."""

import json
import re
from dataclasses import replace
from pathlib import Path
from typing import get_args

import click

from polaritykit.audio.records import Session
from polaritykit.base.errors import UsageError
from polaritykit.base.terminal_safe import echo
from polaritykit.base.types import Json
from polaritykit.base.whole_files import check_output_folder
from polaritykit.jobs.bleed.document import bleed_document, several_document
from polaritykit.jobs.bleed.findings import BleedFindings, Goal
from polaritykit.jobs.bleed.folder import write_bleed, write_several
from polaritykit.jobs.bleed.judge import analyse_bleed
from polaritykit.jobs.bleed.schema import BleedDocument, SeveralDocument
from polaritykit.jobs.bleed.several import analyse_several
from polaritykit.jobs.bleed.text import bleed_text, several_text
from polaritykit.pages.head import job_document
from polaritykit.recorders.open import open_lined_up
from polaritykit.recorders.words import all_sentences


def _spans(
    ctx: click.Context, param: click.Parameter, values: tuple[str, ...]
) -> tuple[tuple[float, float], ...]:
    """Read spans of seconds."""
    found = []
    for value in values:
        match = re.fullmatch(r"(\d+\.?\d*)-(\d+\.?\d*)", value)
        if match is None or float(match[1]) >= float(match[2]):
            raise click.BadParameter(f"{value!r} is no span of seconds such as 12.5-20.", ctx, param)
        found.append((float(match[1]), float(match[2])))
    return tuple(found)


@click.command(name="bleed")
@click.argument(
    "paths",
    metavar="MAIN LEAKY [MORE…]",
    nargs=-1,
    required=True,
    type=click.Path(path_type=Path, readable=False),
)
@click.option(
    "--goal",
    type=click.Choice(get_args(Goal)),
    default="isolation",
    show_default=True,
    help="What the sum shall have: MAIN's own source over LEAKY's, or the most of MAIN's own source.",
)
@click.option(
    "--main-alone",
    metavar="START-END",
    multiple=True,
    callback=_spans,
    help="Seconds in which only MAIN's own source sounds; may be given again.",
)
@click.option(
    "--leaky-alone",
    metavar="START-END",
    multiple=True,
    callback=_spans,
    help="Seconds in which only LEAKY's own source sounds; may be given again.",
)
@click.option("--json", "as_json", is_flag=True, help="Print the document to stdout and nothing else.")
@click.option(
    "--out", type=click.Path(path_type=Path), help="Folder for report.html, report.json (and the audio)."
)
@click.option("--overwrite", is_flag=True, help="Replace an earlier report in that folder.")
@click.option(
    "--audio", is_flag=True, help="Also write the sums: of every setting that was judged; needs --out."
)
@click.option(
    "--plots", type=click.Choice(["png", "svg", "pdf"]), help="Write the charts as figures too; needs --out."
)
@click.option("--ignore-start-times", is_flag=True, help="Line up the files' first samples.")
def command(
    paths: tuple[Path, ...],
    *,
    goal: Goal,
    main_alone: tuple[tuple[float, float], ...],
    leaky_alone: tuple[tuple[float, float], ...],
    as_json: bool,
    out: Path | None,
    overwrite: bool,
    audio: bool,
    plots: str | None,
    ignore_start_times: bool,
) -> None:
    """Tell whether flipping or delaying the LEAKY mic helps the MAIN one, and where.

    MAIN is the mic of the wanted source, LEAKY the one its sound leaks into (and
    whose own source leaks back).  Passages in which one source is alone are found
    by themselves; name them when that fails.

    Three mics and more, each with a source of its own: how much of every other
    source each of them hears, and what flips and delays do in the sum of all.

    \b
    polaritykit bleed vocal.wav guitar.wav --leaky-alone 0-3.9 --out leak
    polaritykit bleed host.wav guest.wav third.wav
    """  # noqa: D301 (click reads \b itself)
    if (audio or plots) and out is None:
        raise UsageError("--audio and --plots need --out DIR: they must be written somewhere.")
    session = open_lined_up(paths, ignore_start_times=ignore_start_times, own_spans=False)
    if out is not None:
        check_output_folder(out, inputs=paths, overwrite=overwrite)
    if len(session.recording.track_names) > 2:
        if main_alone or leaky_alone:
            raise UsageError("--main-alone and --leaky-alone are for two mics; name the two to compare.")
        several = analyse_several(session.recording, goal=goal)
        document = _document(session, several_document(several), SeveralDocument)
        if out is not None:
            write_several(
                out, document, session.recording, inputs=paths, overwrite=overwrite, audio=audio, plots=plots
            )
        echo(json.dumps(document, indent=1, allow_nan=False) if as_json else several_text(document))
        return

    def analysed(session: Session) -> BleedFindings:
        return analyse_bleed(session.recording, main_alone_s=main_alone, leaky_alone_s=leaky_alone, goal=goal)

    found = analysed(session)
    if not (found.settled.related or session.recorders):
        # Files of one length that did not start together after all?
        apart = {track.path for track in session.tracks}
        again = open_lined_up(paths, ignore_start_times=ignore_start_times, apart=apart, own_spans=False)
        session = replace(session, recorders=again.recorders)
        if any(recorder.state == "found" for recorder in again.recorders):
            session, found = again, analysed(again)
    document = _document(session, bleed_document(found), BleedDocument)
    if out is not None:
        sums = found if audio else None
        write_bleed(
            out, document, session.recording, inputs=paths, overwrite=overwrite, sums=sums, plots=plots
        )
    echo(json.dumps(document, indent=1, allow_nan=False) if as_json else bleed_text(document))


def _document(session: Session, findings: Json, model: type) -> Json:
    return job_document(
        "bleed",
        findings,
        model=model,
        name=session.name,
        sample_rate_hz=session.sample_rate_hz,
        n_samples=session.n_samples,
        notes=(*session.notes, *all_sentences(session)),
        tracks=session.tracks,
    )
