"""`polaritykit layout`: a plan file → predictions, printed or written as a folder; or a starting file."""

import json
from pathlib import Path
from typing import Any

import click

from polaritykit.base.errors import UsageError
from polaritykit.base.quantities import parse_positive
from polaritykit.base.terminal_safe import echo
from polaritykit.commands.report_file import read_report
from polaritykit.jobs.layout.against import compare
from polaritykit.jobs.layout.document import layout_document
from polaritykit.jobs.layout.plan_file import load_plan
from polaritykit.jobs.layout.predict import predict_layout
from polaritykit.jobs.layout.text import layout_csv, layout_text

_PLANS = Path(__file__).parents[1] / "jobs" / "layout" / "templates"
#: Starting files: the open trade names of stereo set-ups, and a kit.
TEMPLATES = ("xy", "blumlein", "mid-side", "ortf", "nos", "din", "ab", "kit")


@click.command(name="layout")
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
    help="Write report.html, report.json, pairs.csv, the drawing and the responses there.",
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
        echo((_PLANS / f"{template}.toml").read_text(encoding="utf-8"), nl=False)
        return
    if plan is None:
        raise UsageError("Name a plan file, or start one with --template (kit, ortf, …).")
    if options["as_json"] and options["as_csv"]:
        raise UsageError("Choose one of --json and --csv.")
    rate_hz, up_to_hz = (
        parse_positive(options[key], "frequency", option=key) for key in ("sample_rate", "up_to")
    )
    layout = predict_layout(load_plan(plan), up_to_hz=up_to_hz)
    comparison = None if options["against"] is None else compare(layout, read_report(options["against"]))
    if comparison is not None:
        rate_hz = comparison.sample_rate_hz
    document = layout_document(layout, sample_rate_hz=rate_hz, comparison=comparison)
    if options["out"] is not None:
        from polaritykit.jobs.layout.folder import write_layout

        write_layout(options["out"], document, inputs=(plan,), overwrite=options["overwrite"])
    if options["as_json"]:
        echo(json.dumps(document, indent=2, ensure_ascii=False, allow_nan=False))
    elif options["as_csv"]:
        echo(layout_csv(document), nl=False)
    else:
        echo(layout_text(document), nl=False)
    if options["out"] is not None:
        echo(f"Written to {options['out']}: open report.html there.", err=True)
