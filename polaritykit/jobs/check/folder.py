"""Document of a check to its report folder: JSON, CSV, page and, where wanted, figures.

Conventions: the folder appears whole or not at all; nothing is computed here.
"""

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from polaritykit.base.no_collection import no_collection
from polaritykit.base.processes import in_processes
from polaritykit.base.validate import indented
from polaritykit.base.whole_files import output_folder
from polaritykit.jobs.check.page import report_page
from polaritykit.jobs.check.text import corrections_csv, pairs_csv

#: Made at the same time where they take longer than another process takes to be made; the longest first.
_TEXTS: dict[str, Callable[[dict[str, Any]], str]] = {
    "report.html": report_page,
    "report.json": lambda document: indented(document) + "\n",
    "pairs.csv": pairs_csv,
    "corrections.csv": corrections_csv,
}
_MANY_PAIRS = 500


@no_collection()
def write_report(
    folder: Path,
    document: dict[str, Any],
    *,
    inputs: Sequence[Path],
    overwrite: bool,
    plots: str | None = None,
) -> None:
    """Write the report folder of one document.

    Parameters
    ----------
    folder : Path
    document : dict
    inputs : sequence of Path
        Files and folders that must not be written to.
    overwrite : bool
        Replace an earlier report.
    plots : {"png", "svg", "pdf"}, optional
        Figures of the session and its pairs too.

    Raises
    ------
    UsageError
        The folder may not be written.
    """
    many = len(document["pairs"]) >= _MANY_PAIRS
    # Before the folder is held: copies of this process would hold it a moment longer than this one lives.
    texts = list(in_processes(lambda name: _TEXTS[name](document).encode(), _TEXTS, long=many))
    with output_folder(folder, inputs=inputs, overwrite=overwrite) as place:
        for name, text in zip(_TEXTS, texts, strict=True):
            # As they are: rows of CSV end as RFC 4180 has it.
            (place / name).write_bytes(text)
        if plots is not None:
            _write_plots(place, document, plots)


def _write_plots(place: Path, document: dict[str, Any], kind: str) -> None:
    from polaritykit.jobs.check.plots import pair_panel, session_map
    from polaritykit.pages.figures import figure_name, figure_style, image_bytes

    with figure_style():
        (place / f"session_map.{kind}").write_bytes(image_bytes(session_map(document), kind))
        for number, entry in enumerate(document["curves"]["pairs"] if document["curves"] else [], start=1):
            names = entry["reference"], entry["other"]
            name = figure_name(f"pair_{number:02d}", *names)
            (place / f"{name}.{kind}").write_bytes(image_bytes(pair_panel(document, *names), kind))
