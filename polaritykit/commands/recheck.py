"""``polaritykit recheck``: what changed between two reports of one set-up."""

import json
from pathlib import Path

import click

from polaritykit.base.errors import EXIT_FINDINGS, InputError


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
    """
    from dataclasses import asdict

    from polaritykit.base.json_document import shape_demanded
    from polaritykit.base.terminal_safe import echo
    from polaritykit.base.whole_files import check_output_folder, output_folder
    from polaritykit.jobs.recheck.compare import compare
    from polaritykit.jobs.recheck.words import sentences

    inputs = [old, new]
    if out is not None:
        check_output_folder(out, inputs=inputs, overwrite=overwrite)
    before, after = _read(old), _read(new)
    with shape_demanded(new):
        result = compare(before, after)
        words = {"schema_version": 1, "command": "recheck", "sentences": sentences(result)}
        document = {**words, **asdict(result)}
    if out is not None:
        from polaritykit.jobs.recheck.view import recheck_view
        from polaritykit.pages.folder import fill_job

        with output_folder(out, inputs=inputs, overwrite=overwrite) as place:
            fill_job(place, document, recheck_view(document))
    if as_json:
        echo(json.dumps(document, allow_nan=False, ensure_ascii=False))
    else:
        echo("\n".join(sentences(result)))
    changed = bool(result.tracks or result.pairs or result.missing or result.new)
    return EXIT_FINDINGS if changed and fail_on_change else 0


def _read(path: Path) -> dict[str, object]:
    """Read a report's document."""
    from polaritykit.base.json_document import read_json_object

    document = read_json_object(path, "give a folder that check wrote")
    if "pairs" not in document or "tracks" not in document:
        raise InputError(f"{path} is no report of check: it has no tracks and pairs.")
    return document
