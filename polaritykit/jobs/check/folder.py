"""Document of a check to its report folder: JSON, CSV, page and, where wanted, figures.

Conventions: the folder appears whole or not at all; nothing is computed here.
"""

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from polaritykit.base.no_collection import no_collection
from polaritykit.base.validate import indented
from polaritykit.base.whole_files import output_folder
from polaritykit.jobs.check.page import report_page
from polaritykit.jobs.check.text import corrections_csv, pairs_csv
from polaritykit.pages.figures import figure_name, figure_style, image_bytes


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
    with output_folder(folder, inputs=inputs, overwrite=overwrite) as place:
        (place / "report.json").write_text(indented(document) + "\n", encoding="utf-8", newline="\n")
        (place / "pairs.csv").write_text(pairs_csv(document), encoding="utf-8", newline="")
        (place / "corrections.csv").write_text(corrections_csv(document), encoding="utf-8", newline="")
        (place / "report.html").write_text(report_page(document), encoding="utf-8", newline="\n")
        if plots is not None:
            _write_plots(place, document, plots)


def _write_plots(place: Path, document: dict[str, Any], kind: str) -> None:
    from polaritykit.jobs.check.plots import pair_panel, session_map

    with figure_style():
        (place / f"session_map.{kind}").write_bytes(image_bytes(session_map(document), kind))
        for number, entry in enumerate(document["curves"]["pairs"] if document["curves"] else [], start=1):
            names = entry["reference"], entry["other"]
            name = figure_name(f"pair_{number:02d}", *names)
            (place / f"{name}.{kind}").write_bytes(image_bytes(pair_panel(document, *names), kind))
