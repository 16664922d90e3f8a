"""``polaritykit apply``: corrected copies of a session's files."""

import json
from pathlib import Path
from typing import Any, get_args

import click

from polaritykit.audio.fingerprint import demand_unchanged
from polaritykit.base.errors import InputError, UsageError
from polaritykit.base.file_names import restored
from polaritykit.base.terminal_safe import echo
from polaritykit.base.whole_files import check_output_folder, output_folder, write_file
from polaritykit.commands.links import read_name
from polaritykit.jobs.apply.copies import source_paths, write_copies
from polaritykit.jobs.apply.file_jobs import Chosen, file_jobs
from polaritykit.jobs.apply.text import copies_text


@click.command(name="apply")
@click.argument("report", type=click.Path(path_type=Path, readable=False))
@click.option("--out", type=click.Path(path_type=Path), required=True, help="Folder for the copies.")
@click.option(
    "--set",
    "chosen",
    type=click.Choice(get_args(Chosen)),
    default="all",
    show_default=True,
    help="What is set: nothing (copies as recorded), flips only, delays only, or all.",
)
@click.option("--only", type=click.Choice(["flips", "delays"]), hidden=True, deprecated="Use --set instead.")
@click.option("--whole-samples", is_flag=True, help="Round every delay to a whole sample of the file.")
@click.option(
    "--as-start-times",
    is_flag=True,
    help="Move the files' start times (broadcast wave) by whole samples instead of the sound.",
)
@click.option(
    "--track", "tracks", multiple=True, metavar="NAME", help="Correct this track only (repeatable)."
)
@click.option("--session", type=click.Path(path_type=Path), help="Where the files lie, if they were moved.")
@click.option("--overwrite", is_flag=True, help="Replace the copies of an earlier run.")
@click.option("--json", "as_json", is_flag=True, help="Print what was done as JSON and nothing else.")
def command(
    *,
    report: Path,
    out: Path,
    chosen: Chosen,
    only: Chosen | None,
    whole_samples: bool,
    as_start_times: bool,
    tracks: tuple[str, ...],
    session: Path | None,
    overwrite: bool,
    as_json: bool,
) -> None:
    """Write corrected copies of the files that REPORT (a report folder or report.json) speaks of.

    The files themselves are never changed.  Copies keep format, depth, rate and
    start time; a delay pads the start and lengthens the file by as much.  Then
    the copies are checked again: gains predicted, gains measured, and what remains.

    \b
    polaritykit apply take3 --out take3_fixed --set flips
    """  # noqa: D301 (click reads \b itself)
    from polaritykit.commands.report_file import read_report, report_place
    from polaritykit.commands.terminal import progress_line
    from polaritykit.jobs.apply.document import applied_document
    from polaritykit.jobs.apply.measure_again import measure_again
    from polaritykit.jobs.apply.text import measured_again_text

    chosen = only or chosen
    place = report_place(report)
    document = read_report(report)
    known = [track["name"] for track in document["tracks"]]
    if as_start_times and document["session"].get("start_times_ignored"):
        raise UsageError(
            "The report was made with --ignore-start-times, so that start times would not be heeded again; "
            "run check without it, or leave --as-start-times out."
        )
    jobs = file_jobs(document, chosen=chosen, names=[read_name(name, known) for name in tracks])
    folder = session or _session_folder(document, place)
    sources = source_paths(jobs, folder)
    # The folders the files lie in, not all that the files have in common: that may be the whole disk.
    inputs = [*dict.fromkeys(source.parent for source in sources), *sources, report]
    check_output_folder(out, inputs=inputs, overwrite=overwrite)
    demand_unchanged([(source, job.file, job.fingerprint) for job, source in zip(jobs, sources, strict=True)])
    with output_folder(out, inputs=inputs, overwrite=overwrite) as filling:
        entries = write_copies(
            jobs,
            sources=sources,
            folder=filling,
            whole_samples=whole_samples,
            as_start_times=as_start_times,
        )
        with progress_line(quiet=as_json) as progress:
            again = measure_again(
                document, entries, jobs=jobs, sources=sources, folder=filling, progress=progress
            )
        applied = applied_document(
            document,
            entries,
            again,
            chosen=chosen,
            whole_samples=whole_samples,
            as_start_times=as_start_times,
        )
        text = json.dumps(applied, indent=1, ensure_ascii=False, allow_nan=False) + "\n"
        write_file(filling / "applied.json", text)
    if as_json:
        echo(text, nl=False)
    else:
        echo(copies_text(entries, out))
        echo(measured_again_text(again))


def _session_folder(document: dict[str, Any], place: Path) -> Path:
    """Where the report says the session lies; a relative place counts from the report."""
    session = document["session"]
    recorded = session["folder"]
    if not recorded:
        raise InputError(
            f"{place} does not say where the session's files lie; name the folder with --session."
        )
    try:
        return place.parent / restored(recorded, session["folder_base64"])
    except ValueError as error:
        raise InputError(f"{place} tells the session's folder in bytes that cannot be read.") from error
