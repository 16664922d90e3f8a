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

    from polaritykit.base.whole_files import check_output_folder, output_folder
    from polaritykit.jobs.recheck.compare import compare
    from polaritykit.jobs.recheck.words import sentences

    inputs = [old, new]
    if out is not None:
        check_output_folder(out, inputs=inputs, overwrite=overwrite)
    result = compare(_read(old), _read(new))
    words = {"schema_version": 1, "command": "recheck", "sentences": sentences(result)}
    document = {**words, **asdict(result)}
    if out is not None:
        from polaritykit.jobs.recheck.view import recheck_view
        from polaritykit.pages.folder import fill_job

        with output_folder(out, inputs=inputs, overwrite=overwrite) as place:
            fill_job(place, document, recheck_view(document))
    if as_json:
        click.echo(json.dumps(document, allow_nan=False, ensure_ascii=False))
    else:
        click.echo("\n".join(sentences(result)))
    changed = bool(result.tracks or result.pairs or result.missing or result.new)
    return EXIT_FINDINGS if changed and fail_on_change else 0


def _read(path: Path) -> dict[str, object]:
    """Read a report's document."""
    file = path / "report.json" if path.is_dir() else path
    try:
        document = json.loads(file.read_text(encoding="utf-8"))
    except OSError as error:
        raise InputError(f"cannot read {file}: {error.strerror}; give a folder that check wrote") from error
    except ValueError as error:
        raise InputError(f"{file} is no report: it is not JSON; give a folder that check wrote") from error
    if not isinstance(document, dict) or "pairs" not in document or "tracks" not in document:
        raise InputError(f"{file} is no report of check: it has no tracks and pairs")
    return document
