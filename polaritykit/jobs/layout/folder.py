"""Document of a mic plan to its folder: JSON, CSV, drawing, responses and page.

Conventions: the folder appears whole or not at all; nothing is predicted here.
"""

import json
from collections.abc import Sequence
from pathlib import Path

from polaritykit.base.types import Json
from polaritykit.base.whole_files import output_folder
from polaritykit.jobs.layout.page import layout_page
from polaritykit.jobs.layout.plots import plan_figure, responses_figure
from polaritykit.jobs.layout.text import layout_csv
from polaritykit.pages.figures import image_bytes

#: For a screen: the panels of a large plan together are a metre high.
_SCREEN_DPI = 110


def write_layout(folder: Path, document: Json, *, inputs: Sequence[Path], overwrite: bool) -> None:
    """Write the folder of one plan.

    Parameters
    ----------
    folder : Path
    document : dict
    inputs : sequence of Path
        Files and folders that must not be written to.
    overwrite : bool
        Replace an earlier folder of this program.

    Raises
    ------
    UsageError
        The folder may not be written.
    """
    with output_folder(folder, inputs=inputs, overwrite=overwrite) as place:
        text = json.dumps(document, indent=2, ensure_ascii=False, allow_nan=False)
        (place / "report.json").write_text(text + "\n", encoding="utf-8", newline="\n")
        (place / "pairs.csv").write_text(layout_csv(document), encoding="utf-8", newline="")
        for name, figure in (("plan", plan_figure(document)), ("responses", responses_figure(document))):
            (place / f"{name}.png").write_bytes(image_bytes(figure, "png", _SCREEN_DPI))
        (place / "report.html").write_text(layout_page(document), encoding="utf-8", newline="\n")
