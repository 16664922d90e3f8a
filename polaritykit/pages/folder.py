"""Document and view of a job to its report folder: JSON, page and, where wanted, figures.

Conventions: the folder appears whole or not at all; nothing is computed here.
"""

import json
from pathlib import Path
from typing import Any

from polaritykit.base.whole_files import write_file
from polaritykit.pages.figures import figure_name, image_bytes, job_figures
from polaritykit.pages.view import JobView, job_page


def fill_job(place: Path, document: dict[str, Any], view: JobView, *, plots: str | None = None) -> None:
    """Write JSON, page and, where wanted, figures of a smaller job into a folder that is being filled.

    Parameters
    ----------
    place : Path
    document : dict
    view : JobView
        What the page shows of it.
    plots : {"png", "svg", "pdf"}, optional
    """
    text = json.dumps(document, allow_nan=False, ensure_ascii=False, indent=1)
    write_file(place / "report.json", text + "\n")
    write_file(place / "report.html", job_page(view))
    if plots is not None:
        for number, figure in enumerate(job_figures(view), start=1):
            name = figure_name(f"figure_{number}", *view.tracks)
            write_file(place / f"{name}.{plots}", image_bytes(figure, plots))
