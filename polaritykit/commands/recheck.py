"""``polaritykit recheck``: what changed between two reports of one set-up."""

import json
from pathlib import Path

import click

from polaritykit.base.errors import EXIT_FINDINGS
from polaritykit.base.terminal_safe import echo


@click.command(name="recheck")
@click.argument("old", type=click.Path(path_type=Path))
@click.argument("new", type=click.Path(path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="Print the differences as JSON and nothing else.")
@click.option("--out", type=click.Path(path_type=Path), help="Folder for report.html and report.json.")
@click.option("--overwrite", is_flag=True, help="Replace an earlier report in that folder.")
@click.option("--fail-on-change", is_flag=True, help="Exit with 3 when anything changed.")
def command(
    *, old: Path, new: Path, as_json: bool, out: Path | None, overwrite: bool, fail_on_change: bool
) -> int:
    """Compare two reports of one set-up, OLD and NEW (report folders or their report.json).

    Names the tracks that turned over, moved in time or level, and the faults that came and went.

    \b
    polaritykit recheck monday_report friday_report --fail-on-change
    """  # noqa: D301 (click reads \b itself)
    from polaritykit.base.whole_files import check_output_folder, output_folder
    from polaritykit.commands.report_file import read_report
    from polaritykit.jobs.recheck.compare import compare
    from polaritykit.jobs.recheck.document import recheck_document

    inputs = [old, new]
    if out is not None:
        check_output_folder(out, inputs=inputs, overwrite=overwrite)
    result = compare(read_report(old), read_report(new))
    document = recheck_document(result)
    if out is not None:
        from polaritykit.jobs.recheck.view import recheck_view
        from polaritykit.pages.folder import fill_job

        with output_folder(out, inputs=inputs, overwrite=overwrite) as place:
            fill_job(place, document, recheck_view(document))
    if as_json:
        echo(json.dumps(document, allow_nan=False, ensure_ascii=False))
    else:
        echo("\n".join(document["sentences"]))
    changed = bool(result.tracks or result.pairs or result.missing or result.new)
    return EXIT_FINDINGS if changed and fail_on_change else 0
