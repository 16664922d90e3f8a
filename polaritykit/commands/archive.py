"""``polaritykit archive``: many sessions at once."""

import json
from pathlib import Path

import click

from polaritykit import __version__
from polaritykit.base.file_names import shown
from polaritykit.base.terminal_safe import echo


@click.command(name="archive")
@click.argument("root", type=click.Path(path_type=Path))
@click.option(
    "--out", type=click.Path(path_type=Path), help="Folder of the archive [default: NAME_archive here]."
)
@click.option(
    "--workers", type=click.IntRange(1, 256), help="Sessions at a time [default: as cores and memory allow]."
)
@click.option(
    "--scheduler",
    metavar="ADDRESS",
    help="Check on the workers of this Dask scheduler, which see the same files.",
)
@click.option("--again", is_flag=True, help="Check all sessions, also those that did not change.")
@click.option("--json", "as_json", is_flag=True, help="Print the document as JSON and nothing else.")
def command(
    *, root: Path, out: Path | None, workers: int | None, scheduler: str | None, again: bool, as_json: bool
) -> None:
    """Check all sessions below ROOT and say what comes again and again.

    Sessions are folders of audio and multichannel files. Each gets its report; one
    page lists them all, the worst first. A later run checks only what is new or
    changed; stopped half-way, it goes on there.

    \b
    polaritykit archive /shelf/2026 --out shelf_2026
    """  # noqa: D301 (click reads \b itself)
    from polaritykit.base.whole_files import write_file
    from polaritykit.commands.terminal import progress_line
    from polaritykit.jobs.archive.across import across
    from polaritykit.jobs.archive.document import archive_document
    from polaritykit.jobs.archive.find import find_sessions
    from polaritykit.jobs.archive.journal import check_archive_folder, journal, read_journal, still_holds
    from polaritykit.jobs.archive.page import archive_page
    from polaritykit.jobs.archive.pool import run_pool, usual_workers
    from polaritykit.jobs.archive.text import archive_tables, archive_text

    out = out or Path(f"{shown(root.resolve().name)}_archive")
    check_archive_folder(out, root)
    with progress_line(quiet=as_json) as progress:
        progress("finding sessions", 0.0)
        requests = list(find_sessions(root, out, made_by=f"polaritykit {__version__}, check"))
        earlier = {} if again else read_journal(out)
        kept = {
            request.session: earlier[request.session]
            for request in requests
            if request.session in earlier and still_holds(earlier[request.session], request)
        }
        todo = [request for request in requests if request.session not in kept]
        records = dict(kept)
        with journal(out, kept) as add:
            if scheduler is not None:
                from polaritykit.jobs.archive.cluster import run_cluster

                done = run_cluster(todo, address=scheduler)
            else:
                done = run_pool(todo, workers=workers or usual_workers())
            for number, record in enumerate(done, start=1):
                add(record)
                records[record.session] = record
                progress(f"{number} of {len(todo)} sessions", number / len(todo))
    found = across(records.values())
    document = archive_document(shown(str(root)), list(records.values()), found, kept=len(kept))
    text = json.dumps(document, allow_nan=False, ensure_ascii=False)
    for name, content in archive_tables(document):
        write_file(out / name, content)
    write_file(out / "archive.json", text + "\n")
    write_file(out / "index.html", archive_page(document))
    echo(text if as_json else f"{archive_text(document)}\nIndex: {shown(out / 'index.html')}")
