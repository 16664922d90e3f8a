"""`polaritykit comb`: options → one prediction, printed as text, JSON or CSV, and drawn."""

import json
from pathlib import Path
from typing import Any

import click

from polaritykit.base.errors import UsageError
from polaritykit.base.quantities import parse_length_m, parse_positive
from polaritykit.base.terminal_safe import echo
from polaritykit.base.whole_files import output_folder, write_file
from polaritykit.jobs.comb.document import comb_document
from polaritykit.jobs.comb.inputs import comb_geometry, sound_from
from polaritykit.jobs.comb.plots import comb_figure
from polaritykit.jobs.comb.predict import predict
from polaritykit.jobs.comb.text import comb_csv, comb_text
from polaritykit.pages.figures import image_bytes

#: Kinds of picture, by the end of the file's name.
PICTURES = ("png", "svg", "pdf")


@click.command(name="comb")
@click.option("--path-difference", metavar="LENGTH", help="How much further the later sound goes: '34 cm'.")
@click.option(
    "--delay", metavar="TIME", help="How much later it is: '1 ms', '830 us', '68 samples @ 48 kHz'."
)
@click.option("--spacing", metavar="LENGTH", help="Distance between two mics: '17 cm' (with --source-angle).")
@click.option(
    "--source-angle",
    metavar="DEGREES",
    help="Off the axis straight ahead between the two mics; 90 where left out: the source is on one side.",
)
@click.option(
    "--source-distance", metavar="LENGTH", help="From the middle between the mics; far away if left out."
)
@click.option(
    "--distances",
    nargs=2,
    metavar="NEAR FAR",
    help="Both distances from the source, '0.5 m' '84 cm': the level difference by inverse distance, and the "
    "path difference if nothing else gives it.",
)
@click.option(
    "--level-difference", metavar="DB", help="Between the two, either sign; 0 where nothing says more."
)
@click.option("--polarity", type=click.Choice(["same", "inverted"]), default="same", show_default=True)
@click.option(
    "--temperature", metavar="°C", help="Of the air; 20 °C ± 3 where left out. '72 F' is understood."
)
@click.option("--humidity", metavar="%", help="Relative; 50 % ± 20 where left out.")
@click.option("--speed-of-sound", metavar="M/S", help="Instead of temperature and humidity.")
@click.option(
    "--tape-uncertainty", metavar="LENGTH", default="1 cm", show_default=True, help="Of every length."
)
@click.option(
    "--temperature-uncertainty", metavar="°C", type=float, help="1 °C where the temperature is given."
)
@click.option(
    "--sample-rate", metavar="HZ", default="48 kHz", show_default=True, help="For delays in samples."
)
@click.option(
    "--up-to", metavar="HZ", default="20 kHz", show_default=True, help="Highest notch and peak listed."
)
@click.option(
    "--plot", type=click.Path(path_type=Path), metavar="FILE", help="Draw the response (.png .svg .pdf)."
)
@click.option(
    "--out", type=click.Path(path_type=Path), metavar="DIR", help="Write report.html and report.json there."
)
@click.option("--overwrite", is_flag=True, help="Replace an earlier folder of this command.")
@click.option("--json", "as_json", is_flag=True, help="Print the document as JSON and nothing else.")
@click.option("--csv", "as_csv", is_flag=True, help="Print the notches and peaks as CSV and nothing else.")
def command(**options: Any) -> None:
    """Notches, peaks and ripple of a sound summed with its later copy.

    Give one of --path-difference, --delay, --spacing or --distances.  Lengths and times carry their unit
    (m, cm, mm, ft, in; s, ms, us, samples).  Uncertainties are one standard uncertainty.

    \b
    polaritykit comb --path-difference "34 cm" --temperature 22 --level-difference 6
    polaritykit comb --delay "1 ms" --polarity inverted --up-to "5 kHz"
    polaritykit comb --distances "0.5 m" "84 cm" --plot comb.png
    """  # noqa: D301 (click reads \b itself: keep these lines as they stand)
    if options["as_json"] and options["as_csv"]:
        raise UsageError("Choose one of --json and --csv.")
    kind = None if options["plot"] is None else picture_kind(options["plot"])
    rate_hz, up_to_hz = (
        parse_positive(options[key], "frequency", option=key) for key in ("sample_rate", "up_to")
    )
    sound = sound_from(options["temperature"], options["humidity"], options["speed_of_sound"],
                       options["temperature_uncertainty"])  # fmt: skip
    tape_std_m = parse_length_m(options["tape_uncertainty"])
    geometry = comb_geometry(
        path_difference=options["path_difference"],
        delay=options["delay"],
        spacing=options["spacing"],
        source_angle=options["source_angle"],
        source_distance=options["source_distance"],
        distances=options["distances"],
        level_difference=options["level_difference"],
        sample_rate_hz=rate_hz,
        sound=sound,
        tape_std_m=tape_std_m,
    )
    comb = predict(geometry, sound=sound, inverted=options["polarity"] == "inverted", up_to_hz=up_to_hz)
    document = comb_document(comb, rate_hz)
    if kind is not None:
        write_file(options["plot"], image_bytes(comb_figure(document), kind))
    if options["out"] is not None:
        from polaritykit.jobs.comb.view import comb_view
        from polaritykit.pages.folder import fill_job

        with output_folder(options["out"], overwrite=options["overwrite"]) as folder:
            fill_job(folder, document, comb_view(document))
    if options["as_json"]:
        echo(json.dumps(document, indent=2, ensure_ascii=False, allow_nan=False))
    elif options["as_csv"]:
        echo(comb_csv(document), nl=False)
    else:
        echo(comb_text(document), nl=False)


def picture_kind(path: Path) -> str:
    """Kind of a picture from the end of its name."""
    kind = path.suffix.lower().lstrip(".")
    if kind not in PICTURES:
        raise UsageError(f"--plot {path}: the name must end in .png, .svg or .pdf.")
    return kind
