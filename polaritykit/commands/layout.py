"""`polaritykit layout`: a plan file → predictions, printed or written as a folder; or a starting file."""

import json
from pathlib import Path
from typing import Any

import click

from polaritykit.base.errors import InputError, UsageError
from polaritykit.base.quantities import parse
from polaritykit.base.whole_files import output_folder
from polaritykit.jobs.layout.against import compare
from polaritykit.jobs.layout.document import layout_document
from polaritykit.jobs.layout.plan_file import load_plan
from polaritykit.jobs.layout.predict import predict_layout
from polaritykit.jobs.layout.records import Comparison, Layout
from polaritykit.jobs.layout.text import layout_csv, layout_text

_PLANS = Path(__file__).parents[1] / "jobs" / "layout" / "templates"
#: Starting files: the open trade names of stereo set-ups, and a kit.
TEMPLATES = ("xy", "blumlein", "mid-side", "ortf", "nos", "din", "ab", "kit")


@click.command(context_settings={"max_content_width": 100})
@click.argument("plan", required=False, type=click.Path(path_type=Path, readable=False), metavar="PLAN.toml")
@click.option("--template", type=click.Choice(TEMPLATES), help="Print a plan to start from and nothing else.")
@click.option(
    "--against",
    type=click.Path(path_type=Path),
    metavar="REPORT",
    help="Hold a session against the plan: the report.json of a check, or its folder.",
)
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    metavar="DIR",
    help="Write layout.json, pairs.csv, the drawing, the responses and a page there.",
)
@click.option("--overwrite", is_flag=True, help="Replace an earlier folder of this command.")
@click.option(
    "--sample-rate", metavar="HZ", default="48 kHz", show_default=True, help="For delays in samples."
)
@click.option(
    "--up-to", metavar="HZ", default="20 kHz", show_default=True, help="Highest notch and peak listed."
)
@click.option("--json", "as_json", is_flag=True, help="Print the document as JSON and nothing else.")
@click.option("--csv", "as_csv", is_flag=True, help="Print the pairs as CSV and nothing else.")
def command(plan: Path | None, template: str | None, **options: Any) -> None:
    """Arrivals, levels and notches of a mic plan, before anything is recorded.

    The plan is a TOML file with sources and mics at positions in metres, or at distances measured by tape.
    For every source and every two mics it predicts offset, level difference, polarity, notches and the 3:1
    check (common practice).  Start from a template:

    \b
    polaritykit layout --template ortf > plan.toml
    polaritykit layout plan.toml --out plan
    polaritykit layout plan.toml --against session_report/report.json
    """  # noqa: D301 (click reads \b itself: keep these lines as they stand)
    if template is not None:
        if plan is not None:
            raise UsageError("Give --template or a plan file, not both.")
        click.echo((_PLANS / f"{template}.toml").read_text(encoding="utf-8"), nl=False)
        return
    if plan is None:
        raise UsageError("Name a plan file, or start one with --template (kit, ortf, …).")
    if options["as_json"] and options["as_csv"]:
        raise UsageError("Choose one of --json and --csv.")
    rate_hz, up_to_hz = (_positive(options[key], key) for key in ("sample_rate", "up_to"))
    layout = predict_layout(load_plan(plan), up_to_hz=up_to_hz)
    comparison = None if options["against"] is None else _comparison(layout, options["against"])
    if comparison is not None:
        rate_hz = comparison.sample_rate_hz
    document = layout_document(layout, sample_rate_hz=rate_hz, comparison=comparison)
    if options["out"] is not None:
        _write_folder(document, options["out"], inputs=(plan,), overwrite=options["overwrite"])
        click.echo(f"Written to {options['out']}: open layout.html there.", err=True)
    if options["as_json"]:
        click.echo(_json(document))
    elif options["as_csv"]:
        click.echo(layout_csv(document), nl=False)
    else:
        click.echo(layout_text(document), nl=False)


def _positive(text: str, option: str) -> float:
    value = parse(text, "frequency")
    if value <= 0:
        raise UsageError(f"--{option.replace('_', '-')} is {text}; it must be above zero.")
    return value


def _json(document: dict[str, Any]) -> str:
    return json.dumps(document, indent=2, ensure_ascii=False, allow_nan=False)


def _comparison(layout: Layout, path: Path) -> Comparison:
    """Read a report and hold it against the plan."""
    file = path / "report.json" if path.is_dir() else path
    try:
        report = json.loads(file.read_text(encoding="utf-8-sig"))
    except OSError as error:
        reason = (error.strerror or "unknown reason").lower()
        raise InputError(f"{file}: cannot be read ({reason}); give the report.json of a check.") from error
    except ValueError as error:
        raise InputError(f"{file}: is not JSON; give the report.json of a check.") from error
    return compare(layout, report)


def _write_folder(
    document: dict[str, Any], folder: Path, *, inputs: tuple[Path, ...], overwrite: bool
) -> None:
    """Everything in one folder, whole or not at all."""
    from polaritykit.jobs.layout.page import layout_page
    from polaritykit.jobs.layout.plots import plan_figure, responses_figure
    from polaritykit.pages.images import image_bytes

    with output_folder(folder, inputs=inputs, overwrite=overwrite) as filling:
        (filling / "layout.json").write_text(_json(document) + "\n", encoding="utf-8")
        (filling / "pairs.csv").write_text(layout_csv(document), encoding="utf-8")
        for name, figure in (("plan", plan_figure(document)), ("responses", responses_figure(document))):
            (filling / f"{name}.png").write_bytes(image_bytes(figure, "png"))
        (filling / "layout.html").write_text(layout_page(document), encoding="utf-8")
