"""Tables of DEVELOPERS.md and README.md that a benchmark writes itself, with the commit and the day.

A table stands between ``<!-- table NAME -->`` and ``<!-- /table NAME -->``; nothing else is touched.
"""

import datetime as dt
import subprocess
from collections.abc import Sequence
from pathlib import Path

DEVELOPERS = Path(__file__).parents[2] / "DEVELOPERS.md"
README = DEVELOPERS.with_name("README.md")


def commit(folder: Path = DEVELOPERS.parent) -> str:
    """Name the commit that was measured, with a + where the folder holds something else."""

    def git(*words: str) -> str:
        done = subprocess.run(["git", *words], cwd=folder, capture_output=True, text=True, check=True)
        return done.stdout.strip()

    changed = git("status", "--porcelain", "--untracked-files=no", "--", ":!DEVELOPERS.md", ":!README.md")
    return git("rev-parse", "--short", "HEAD") + ("+" if changed else "")


def table(header: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """Write a Markdown table."""
    lines = [header, ["---"] * len(header), *rows]
    return "".join(f"| {' | '.join(cell.replace('|', '/') for cell in line)} |\n" for line in lines)


def with_table(text: str, name: str, body: str) -> str:
    """Return the document with one table replaced."""
    begin, end = f"<!-- table {name} -->\n", f"<!-- /table {name} -->\n"
    if text.count(begin) != 1 or text.count(end) != 1:
        raise ValueError(f"the document has no place for the table {name}, or several")
    before, rest = text.split(begin)
    return before + begin + body + end + rest.split(end)[1]


def write_table(
    name: str,
    command: str,
    header: Sequence[str],
    rows: Sequence[Sequence[str]],
    *,
    document: Path | None = None,
) -> None:
    """Bring one table of a document up to date, of DEVELOPERS.md when none is given."""
    document = document or DEVELOPERS
    today = dt.datetime.now(dt.UTC).date().isoformat()
    said = f"`{command}`, commit {commit()}, {today}:\n\n"
    text = with_table(document.read_text(encoding="utf-8"), name, said + table(header, rows) + "\n")
    document.write_text(text, encoding="utf-8")
