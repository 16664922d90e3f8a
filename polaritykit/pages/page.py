"""Document → one self-contained HTML page that opens offline, with its styles and script inline.

Conventions: templates hold no arithmetic; text is escaped by the engine, data goes in as JSON that cannot end
its element, and a content security policy lets nothing run or load but the package's own script and style.
"""

import base64
import hashlib
from collections.abc import Callable, Sequence
from functools import cache
from pathlib import Path
from typing import Any

from polaritykit import __version__
from polaritykit.base.wording import band, centimetres, frequency, kilohertz, measured, number, percent

_TEMPLATES = Path(__file__).parent / "templates"


def render(
    template_name: str,
    *,
    data: Any = None,
    scripts: tuple[str, ...] = ("charts.js",),
    styles: tuple[str, ...] = ("style.css",),
    filters: Sequence[Callable[..., Any]] = (),
    **context: Any,
) -> str:
    """Render one of the package's templates as a complete page.

    Parameters
    ----------
    template_name : str
        A file of ``templates/`` that extends ``base.html`` (``layout.html``).
    data : JSON-safe value, optional
        What the page's script reads; charts stand in ``data["charts"]`` (see `chart`).
    scripts, styles : tuple of str
        Files of ``templates/``, joined in this order.
    filters : sequence of callable
        A job's own words, known to its template by their names.
    **context
        Variables of the template; one that is missing is an error.

    Returns
    -------
    str
        The page, lines ending in a bare newline.
    """
    from markupsafe import Markup

    style = "\n".join(_text(name) for name in styles)
    script = "\n".join(_text(name) for name in scripts)
    # The package's own files, not user text: they go in as they stand, and the policy names their hashes.
    environment = _environment().overlay()
    environment.filters = environment.filters | {function.__name__: function for function in filters}
    page: str = environment.get_template(template_name).render(
        style=Markup(style),  # noqa: S704 — our own file
        script=Markup(script),  # noqa: S704 — our own file
        style_hash=_hash(style),
        script_hash=_hash(script),
        data=data,
        program=__version__,
        **context,
    )
    return page


def chart(
    *,
    x: dict[str, Any],
    y: dict[str, Any],
    series: list[dict[str, Any]],
    marks: list[dict[str, Any]] | None = None,
) -> dict[str, Any]:
    """Describe a line chart for ``charts.js``; put it into ``data["charts"][key]``.

    Parameters
    ----------
    x, y : dict
        Axes: ``label``, ``min``, ``max``, and optionally ``log`` (decades) and ``ticks`` (list of values).
    series : list of dict
        ``label``, ``x`` and ``y`` (lists of numbers; None breaks the line); ``tone`` says what is drawn
        (``recorded``, ``set``, ``inverted``, ``plain``), the same everywhere; ``std`` draws a bar each way.
    marks : list of dict, optional
        Vertical marks: ``x`` and ``label``.
    """
    return {"x": x, "y": y, "series": series, "marks": marks or []}


@cache
def _environment() -> Any:
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    class Entries(Environment):
        """Looks for an entry before an attribute: what templates are given is dictionaries."""

        def getattr(self, obj: Any, attribute: str) -> Any:
            try:
                return obj[attribute]
            except (TypeError, LookupError):
                return super().getattr(obj, attribute)

    environment = Entries(
        loader=FileSystemLoader(_TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        optimized=False,  # each page is made once: what it would save takes longer to find
    )
    environment.policies["json.dumps_kwargs"] = {"allow_nan": False, "separators": (",", ":")}
    for function in (band, centimetres, frequency, kilohertz, measured, number, percent):
        environment.filters[function.__name__] = function
    return environment


def _text(name: str) -> str:
    return (_TEMPLATES / name).read_text(encoding="utf-8").replace("\r\n", "\n")


def _hash(text: str) -> str:
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode()).digest()).decode("ascii")
