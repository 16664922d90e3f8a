"""Tables that benchmarks write: in their place, with what was measured, and nothing else changed."""

import re
import sys

import pytest
from places import BENCHMARKS, ROOT

sys.path.insert(0, str(BENCHMARKS))

import tables

TEXT = "before\n<!-- table speed -->\nold\n<!-- /table speed -->\nafter\n"


def test_only_the_table_is_replaced():
    """A bar in a cell does not break the row."""
    body = tables.table(["what", "s"], [["check", "1.5"], ["a|b", "2"]])

    assert tables.with_table(TEXT, "speed", body) == (
        "before\n<!-- table speed -->\n| what | s |\n| --- | --- |\n| check | 1.5 |\n| a/b | 2 |\n"
        "<!-- /table speed -->\nafter\n"
    )
    with pytest.raises(ValueError, match="no place for the table accuracy"):
        tables.with_table(TEXT, "accuracy", body)


def test_command_commit_and_day_are_told(tmp_path, monkeypatch):
    """So that a figure can be measured again."""
    place = tmp_path / "DEVELOPERS.md"
    place.write_text(TEXT, encoding="utf-8")
    monkeypatch.setattr(tables, "DEVELOPERS", place)
    monkeypatch.setattr(tables, "commit", lambda: "abc1234")
    tables.write_table("speed", "python speed.py", ["what"], [["check"]])

    told = place.read_text(encoding="utf-8").splitlines()[2]
    assert re.fullmatch(r"`python speed\.py`, commit abc1234, \d{4}-\d\d-\d\d:", told)


@pytest.mark.parametrize("document", ["DEVELOPERS.md", "README.md"])
def test_every_table_has_its_end_and_its_figures(document):
    """Each was measured by a command that is named, or stands empty until it is."""
    text = (ROOT / document).read_text(encoding="utf-8")
    names = re.findall(r"<!-- table (\w+) -->", text)

    assert names
    for name in names:
        assert tables.with_table(text, name, "x") != text
        block = re.search(rf"<!-- table {name} -->\n(.*?)<!-- /table", text, re.DOTALL)[1]
        assert not block or re.match(
            r"`python tests/benchmarks/\w+\.py.*`, commit [0-9a-f]{7,}\+?, \d{4}", block
        )
