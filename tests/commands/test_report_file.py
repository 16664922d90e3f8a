"""A report of an earlier check is read in one way by all commands that take one."""

import pytest
from places import PACKAGE

from polaritykit.cli import main

PLAN = str(PACKAGE / "jobs" / "layout" / "templates" / "kit.toml")
#: Command -> its arguments, the report's place left open.
READERS = {
    "apply": ("{report}", "--out", "{out}"),
    "recheck": ("{report}", "{report}"),
    "layout": (PLAN, "--against", "{report}"),
}
#: What the file holds -> what is said; None is no file at all.
FAULTS = [
    (None, "cannot be read (no such file or directory)"),
    ("{", "is no report: it is not JSON"),
    ("[]", "is no report of check: it has no tracks and pairs"),
    ('{"command": "layout", "pairs": []}', "is no report of check: it has no tracks and pairs"),
    ('{"schema_version": 99, "tracks": [], "pairs": []}', "has schema version 99, this program reads 1"),
]


@pytest.mark.parametrize("command", READERS)
@pytest.mark.parametrize(("content", "said"), FAULTS)
def test_one_sentence_for_all(tmp_path, capsys, command, content, said):
    """Exit code 4, the file named, the same words; nothing is written."""
    folder = tmp_path / "report"
    folder.mkdir()
    file = folder / "report.json"
    if content is not None:
        file.write_text(content, encoding="utf-8")
    with pytest.raises(SystemExit) as stopped:
        main([command, *(part.format(report=folder, out=tmp_path / "out") for part in READERS[command])])
    message = capsys.readouterr().err

    assert stopped.value.code == 4
    assert f"{file} {said}" in message
    assert not (tmp_path / "out").exists()
