"""``polaritykit apply``: corrected copies of a session's files."""

import json
from pathlib import Path
from typing import Any

import click

from polaritykit.audio.fingerprint import demand_unchanged
from polaritykit.base.errors import InputError
from polaritykit.base.file_names import restored
from polaritykit.base.whole_files import check_output_folder, output_folder, write_file
from polaritykit.jobs.apply.copies import APPLIED_SCHEMA_VERSION, source_paths, write_copies
from polaritykit.jobs.apply.file_jobs import Part, file_jobs
from polaritykit.jobs.apply.text import copies_text


@click.command(name="apply")
@click.argument("report", type=click.Path(path_type=Path, readable=False))
@click.option("--out", type=click.Path(path_type=Path), required=True, help="Folder for the copies.")
@click.option("--only", type=click.Choice(["flips", "delays"]), help="Apply one kind of correction.")
@click.option("--whole-samples", is_flag=True, help="Round every delay to a whole sample of the file.")
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
    only: Part | None,
    whole_samples: bool,
    tracks: tuple[str, ...],
    session: Path | None,
    overwrite: bool,
    as_json: bool,
) -> None:
    """Write corrected copies of the files that REPORT (a report folder or report.json) speaks of.

    The files themselves are never changed.  Copies keep format, depth, rate and
    start time; a delay pads the start and lengthens the file by as much.  Then
    the copies are checked again: gain promised, gain had, and what is left.
    """
    from polaritykit.commands.terminal import progress_line
    from polaritykit.jobs.apply.measure_again import proof_entry, prove
    from polaritykit.jobs.apply.text import proof_text

    place = report / "report.json" if report.is_dir() else report
    document = _read_document(place)
    jobs = file_jobs(document, only=only, names=tracks)
    folder = session or _session_folder(document, place)
    sources = source_paths(jobs, folder)
    # The folders the files lie in, not all that the files have in common: that may be the whole disk.
    inputs = [*dict.fromkeys(source.parent for source in sources), *sources, report]
    check_output_folder(out, inputs=inputs, overwrite=overwrite)
    demand_unchanged([(source, job.file, job.fingerprint) for job, source in zip(jobs, sources, strict=True)])
    with output_folder(out, inputs=inputs, overwrite=overwrite) as filling:
        entries = write_copies(jobs, sources=sources, folder=filling, whole_samples=whole_samples)
        applied = {
            "schema_version": APPLIED_SCHEMA_VERSION,
            "session": document["session"],
            "only": only,
            "whole_samples": whole_samples,
            "tracks": entries,
        }
        with progress_line(quiet=as_json) as progress:
            proof = prove(document, entries, jobs=jobs, sources=sources, folder=filling, progress=progress)
        applied["measured_again"] = proof_entry(proof)
        text = json.dumps(applied, indent=1, ensure_ascii=False, allow_nan=False) + "\n"
        write_file(filling / "applied.json", text)
    if as_json:
        click.echo(text, nl=False)
    else:
        click.echo(copies_text(entries, out))
        click.echo(proof_text(proof))


def _read_document(place: Path) -> dict[str, Any]:
    try:
        document = json.loads(place.read_text(encoding="utf-8"))
    except OSError as error:
        reason = (error.strerror or "unknown reason").lower()
        raise InputError(
            f"{place} cannot be read ({reason}); name a report folder or its report.json."
        ) from error
    except ValueError as error:
        raise InputError(f"{place} is no report: it is not valid JSON.") from error
    if not isinstance(document, dict):
        raise InputError(f"{place} is no report of polaritykit check.")
    return document


def _session_folder(document: dict[str, Any], place: Path) -> Path:
    """Where the report says the session lies; a relative place counts from the report."""
    session = document.get("session", {})
    recorded = session.get("folder")
    if not recorded:
        raise InputError(
            f"{place} does not say where the session's files lie; name the folder with --session."
        )
    try:
        return place.parent / restored(str(recorded), session.get("folder_base64"))
    except ValueError as error:
        raise InputError(f"{place} tells the session's folder in bytes that cannot be read.") from error
