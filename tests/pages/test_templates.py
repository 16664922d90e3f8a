"""Templates hold no arithmetic: figures on the page are the document's, rounded in one place."""

import jinja2
import pytest
from jinja2 import nodes
from places import PACKAGE

TEMPLATES = sorted((PACKAGE / "pages" / "templates").glob("*.html"))
ARITHMETIC = (nodes.Add, nodes.Sub, nodes.Mul, nodes.Div, nodes.FloorDiv, nodes.Mod, nodes.Pow, nodes.Neg)


def arithmetic(text):
    """Lines of a template that compute, as the engine itself reads it."""
    tree = jinja2.Environment(autoescape=True).parse(text)
    found = [node.lineno for node in tree.find_all(ARITHMETIC)]
    return found + [node.lineno for node in tree.find_all(nodes.Filter) if node.name in ("round", "sum")]


@pytest.mark.parametrize("path", TEMPLATES, ids=lambda path: path.name)
def test_templates_do_not_compute(path):
    """Neither sums nor rounding."""
    assert arithmetic(path.read_text(encoding="utf-8")) == []


@pytest.mark.parametrize("text", ["{{ a * 100 }}", "{% if a - b > 0 %}x{% endif %}", "{{ a | round(1) }}"])
def test_arithmetic_is_seen(text):
    """The check above can fail."""
    assert arithmetic(text) == [1]
