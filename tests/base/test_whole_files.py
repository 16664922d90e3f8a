"""Writing: complete or not at all, and never over what is not ours.

What must hold is said in README.md (exit codes, ``--overwrite``); no outside numbers exist.
"""

import errno
import json
import os
import shutil
from pathlib import Path

import pytest

from polaritykit.base import whole_files
from polaritykit.base.errors import OutputError, UsageError
from polaritykit.base.folder_marker import MARKER
from polaritykit.base.whole_files import check_output_folder, output_folder, replacing, write_file


def names(folder):
    """Everything in a folder, hidden files too."""
    return sorted(path.name for path in folder.iterdir())


def test_write_file_replaces(tmp_path):
    """Text is UTF-8 with line feeds on every system, bytes go as they are, an old file is replaced."""
    write_file(tmp_path / "a.txt", "ø\n")
    assert (tmp_path / "a.txt").read_bytes() == b"\xc3\xb8\n"
    write_file(tmp_path / "a.txt", b"\x00\r\n")
    assert (tmp_path / "a.txt").read_bytes() == b"\x00\r\n"
    assert names(tmp_path) == ["a.txt"]


def test_file_mode_is_the_users(tmp_path):
    """A replaced file has the permissions any new file has, not those of a private temporary one."""
    (tmp_path / "plain").touch()
    write_file(tmp_path / "a.txt", "x")
    with output_folder(tmp_path / "out") as folder:
        (folder / "b.txt").touch()
    (tmp_path / "folder").mkdir()

    assert (tmp_path / "a.txt").stat().st_mode == (tmp_path / "plain").stat().st_mode
    assert (tmp_path / "out").stat().st_mode == (tmp_path / "folder").stat().st_mode


@pytest.mark.parametrize("stop", [KeyboardInterrupt, ValueError, OSError])
def test_interrupted_file(tmp_path, stop):
    """An interruption half way leaves the old file and nothing else."""
    (tmp_path / "a.wav").write_text("old")

    def interrupted():
        with replacing(tmp_path / "a.wav") as temporary:
            temporary.write_text("half")
            raise stop

    with pytest.raises(stop):
        interrupted()
    assert (tmp_path / "a.wav").read_text() == "old"
    assert names(tmp_path) == ["a.wav"]


@pytest.mark.parametrize("stop", [KeyboardInterrupt, ValueError])
def test_interrupted_folder(tmp_path, stop):
    """An interruption half way leaves the old report whole and nothing else."""
    with output_folder(tmp_path / "out") as folder:
        (folder / "report.json").write_text("old")

    def interrupted():
        with output_folder(tmp_path / "out", overwrite=True) as folder:
            (folder / "report.json").write_text("half")
            raise stop

    with pytest.raises(stop):
        interrupted()
    assert (tmp_path / "out" / "report.json").read_text() == "old"
    assert names(tmp_path) == ["out"]


def test_old_report_comes_back_when_the_last_step_fails(tmp_path, monkeypatch):
    """When the new folder cannot be renamed in, the old one is still there."""
    with output_folder(tmp_path / "out") as folder:
        (folder / "report.json").write_text("old")
    original = Path.rename

    def rename(path, target):
        if path.name == "new":
            raise PermissionError(13, "Permission denied")
        return original(path, target)

    monkeypatch.setattr(Path, "rename", rename)
    with (
        pytest.raises(UsageError, match=r"Cannot replace .*out: permission denied"),
        output_folder(tmp_path / "out", overwrite=True) as folder,
    ):
        (folder / "report.json").write_text("new")
    assert (tmp_path / "out" / "report.json").read_text() == "old"
    assert names(tmp_path) == ["out"]


def test_folder_is_replaced_whole(tmp_path):
    """With ``--overwrite`` nothing of the old report is left."""
    for content, file in (("old", "pairs.csv"), ("new", "other.csv")):
        with output_folder(tmp_path / "out", overwrite=True) as folder:
            (folder / "report.json").write_text(content)
            (folder / file).touch()
    assert names(tmp_path / "out") == [MARKER, "other.csv", "report.json"]
    assert (tmp_path / "out" / "report.json").read_text() == "new"


def test_an_empty_folder_may_be_filled(tmp_path):
    """An existing empty folder is no obstacle: there is nothing to lose."""
    (tmp_path / "out").mkdir()
    with output_folder(tmp_path / "out") as folder:
        (folder / "report.json").touch()
    assert names(tmp_path / "out") == [MARKER, "report.json"]


@pytest.mark.parametrize(
    ("out", "overwrite", "message"),
    [
        ("session", True, "lies in session, which is read"),
        ("session/report", False, "lies in session, which is read"),
        ("session/../session/deep", False, "lies in session, which is read"),
        (".", True, "holds session, which is read"),
        ("report", False, "exists; choose another, or use --overwrite"),
        ("photos", False, "exists; choose another, or use --overwrite"),
        ("photos", True, r"holds no earlier report and is not replaced \(there is p\.jpg\)"),
        ("report", True, r"holds no earlier report and is not replaced \(there is report\.json\)"),
        ("file", True, "exists and is no folder"),
        ("nowhere/out", False, "does not exist; make it"),
        ("session/a.wav/x", False, "lies in session, which is read"),
    ],
)
def test_refused_folders(tmp_path, monkeypatch, out, overwrite, message):
    """Every place where writing would harm something is refused, and nothing is changed."""
    monkeypatch.chdir(tmp_path)
    for name in ("session/a.wav", "report/report.json", "photos/p.jpg", "file"):
        Path(name).parent.mkdir(exist_ok=True)
        Path(name).touch()
    before = sorted(tmp_path.rglob("*"))

    with pytest.raises(UsageError, match=message):
        check_output_folder(Path(out), inputs=[Path("session")], overwrite=overwrite)
    assert sorted(tmp_path.rglob("*")) == before


def test_input_files_from_a_list(tmp_path):
    """With files listed one by one, an output folder beside them is fine, over them is not."""
    (tmp_path / "a.wav").touch()
    check_output_folder(tmp_path / "out", inputs=[tmp_path / "a.wav"], overwrite=False)
    with pytest.raises(UsageError, match=r"holds .*a\.wav, which is read"):
        check_output_folder(tmp_path, inputs=[tmp_path / "a.wav"], overwrite=True)


def test_folder_that_cannot_be_written(tmp_path):
    """A missing folder is one sentence, not a traceback."""
    with pytest.raises(UsageError, match=r"Cannot write .*a\.txt: no such file or directory"):
        write_file(tmp_path / "missing" / "a.txt", "x")


@pytest.mark.parametrize("late", [False, True])
def test_folder_that_vanishes(tmp_path, monkeypatch, late):
    """The place is named, not what was hidden in it; README's code 5 (output cannot be written)."""
    (tmp_path / "gone").mkdir()

    def vanish(*_, **__):
        shutil.rmtree(tmp_path / "gone")

    if late:  # all is written, and nothing renamed yet
        monkeypatch.setattr(whole_files, "_check_place", lambda *_, **__: None)
        monkeypatch.setattr(whole_files, "write_marker", vanish)

    def work():
        with output_folder(tmp_path / "gone" / "out") as folder:
            write_file(folder / "a.txt", "x")
            if not late:
                vanish()
                write_file(folder / "b.txt", "x")

    with pytest.raises(OutputError, match=r"gone/out could not be written \(its folder vanished meanwhile\)"):
        work()
    assert names(tmp_path) == []


@pytest.mark.parametrize(
    ("number", "error"), [(errno.ENOSPC, OutputError), (errno.EFBIG, OutputError), (errno.EACCES, UsageError)]
)
def test_a_file_within_a_folder_names_the_folder(tmp_path, monkeypatch, number, error):
    """What is full is code 5, what may not be written code 2 (README); hidden names are nobody's concern."""

    def refuse(path, _):
        raise OSError(number, os.strerror(number), str(path))

    monkeypatch.setattr(Path, "write_bytes", refuse)
    with pytest.raises(error) as raised, output_folder(tmp_path / "out") as folder:
        write_file(folder / "a.txt", "x")
    assert str(tmp_path / "out") in str(raised.value)
    assert ".unfinished" not in str(raised.value)
    assert names(tmp_path) == []


@pytest.mark.parametrize("document", ["report.json", "layout.json", "applied.json"])
@pytest.mark.parametrize("content", ["{}", "[]", "", '{"schema_version": 1, "command": "check"}'])
def test_a_document_by_name_is_no_mark(tmp_path, document, content):
    """A folder of takes with a file that happens to be called as ours are is not ours."""
    (tmp_path / "f" / "takes").mkdir(parents=True)
    (tmp_path / "f" / document).write_text(content)
    (tmp_path / "f" / "takes" / "a.wav").write_text("take")

    with pytest.raises(UsageError, match="holds no earlier report and is not replaced"):
        check_output_folder(tmp_path / "f", inputs=[], overwrite=True)
    with (
        pytest.raises(UsageError, match="holds no earlier report"),
        output_folder(tmp_path / "f", overwrite=True) as folder,
    ):
        (folder / "report.json").touch()
    assert (tmp_path / "f" / "takes" / "a.wav").read_text() == "take"


def made(place):
    """Make a folder as the program does."""
    with output_folder(place, overwrite=True) as folder:
        (folder / "sub").mkdir()
        (folder / "report.json").write_text("{}")
        (folder / "sub" / "a.wav").write_text("copy")
    return place


def foreign_file(place):
    """Put a take into a folder of its own."""
    (place / "takes").mkdir()
    (place / "takes" / "a.wav").write_text("take")


def foreign_name_in_a_written_folder(place):
    """Put a take beside a copy."""
    (place / "sub" / "b.wav").write_text("take")


def changed_file(place):
    """Put a take of the same length in the place of a copy."""
    (place / "sub" / "a.wav").write_text("take")


def linked_file(place):
    """Put a link in the place of a copy."""
    (place / "sub" / "a.wav").unlink()
    (place.parent / "elsewhere.wav").write_text("copy")
    (place / "sub" / "a.wav").symlink_to(place.parent / "elsewhere.wav")


def linked_folder(place):
    """Put a link to a folder of takes beside the report."""
    (place.parent / "else").mkdir()
    (place / "else").symlink_to(place.parent / "else")


def empty_folder(place):
    """Make a folder for takes to come."""
    (place / "takes").mkdir()


@pytest.mark.parametrize(
    ("change", "named"),
    [
        (foreign_file, "takes/a.wav"),
        (foreign_name_in_a_written_folder, "sub/b.wav"),
        (changed_file, "sub/a.wav"),
        (linked_file, "sub/a.wav"),
        (linked_folder, "else"),
        (empty_folder, "takes"),
    ],
)
def test_what_the_program_did_not_write_is_named(tmp_path, change, named):
    """Anything of the user's in a folder of ours: refused by name, and nothing is touched."""
    place = made(tmp_path / "out")
    check_output_folder(place, inputs=[], overwrite=True)
    change(place)
    before = {path: path.is_file() and path.read_bytes() for path in sorted(tmp_path.rglob("*"))}

    with pytest.raises(UsageError, match=f"holds {named}, which this program did not write or which was"):
        check_output_folder(place, inputs=[], overwrite=True)
    assert {path: path.is_file() and path.read_bytes() for path in sorted(tmp_path.rglob("*"))} == before


def test_a_take_that_arrives_during_the_work_stays(tmp_path):
    """What was put into the old folder while the new one was made is not swept away with it."""
    place = made(tmp_path / "out")

    def replaced():
        with output_folder(place, overwrite=True) as folder:
            (folder / "report.json").write_text("new")
            foreign_file(place)

    with pytest.raises(UsageError, match=r"holds takes/a\.wav"):
        replaced()
    assert (place / "takes" / "a.wav").read_text() == "take"
    assert (place / "report.json").read_text() == "{}"
    assert names(tmp_path) == ["out"]


def test_copies_and_gaps_do_not_hinder(tmp_path):
    """A folder of ours that was copied, or from which files were taken, is still ours."""
    place = made(tmp_path / "out")
    shutil.copytree(place, tmp_path / "copied", copy_function=shutil.copy)
    (tmp_path / "copied" / "report.json").unlink()

    check_output_folder(tmp_path / "copied", inputs=[], overwrite=True)


@pytest.mark.parametrize("content", ["", "[]", "{}", '{"program": "polaritykit", "files": [{"name": 1}]}'])
def test_a_broken_marker_is_none(tmp_path, content):
    """What is in the marker counts, not that there is one."""
    place = made(tmp_path / "out")
    (place / MARKER).write_text(content)

    with pytest.raises(UsageError, match="holds no earlier report and is not replaced"):
        check_output_folder(place, inputs=[], overwrite=True)


HEAD = {"schema_version": 1, "program": {"name": "polaritykit", "version": "0.1.0"}}
APPLIED = {"schema_version": 1, "session": {}, "only": None, "whole_samples": False}


@pytest.mark.parametrize(
    ("name", "document", "others", "foreign"),
    [
        (
            "report",
            {**HEAD, "command": "check"},
            "report.html pairs.csv corrections.csv pair_01.png",
            "a.csv",
        ),
        ("report", {**HEAD, "command": "bleed"}, "report.html sum_flipped.wav figure_1.pdf", "kick.wav"),
        ("report", {**HEAD, "command": "pulse read"}, "report.html", "pairs.csv"),
        (
            "report",
            {
                "schema_version": 1,
                "command": "recheck",
                "sentences": [],
                "compared": 0,
                "tracks": [],
                "pairs": [],
            },
            "report.html",
            "take.wav",
        ),
        (
            "layout",
            {**HEAD, "command": "layout"},
            "layout.html pairs.csv plan.png responses.png",
            "plan.toml",
        ),
        ("applied", {**APPLIED, "tracks": [{"file": "sub/k.wav"}]}, "sub/k.wav", "k.wav"),
    ],
)
def test_folders_of_the_first_version(tmp_path, name, document, others, foreign):
    """Without a marker the document's content says what they are, and only that version's names are ours."""
    (tmp_path / "out" / "sub").mkdir(parents=True)
    (tmp_path / "out" / f"{name}.json").write_text(json.dumps(document))
    for other in others.split():
        (tmp_path / "out" / other).touch()
    if "sub/" not in others:
        (tmp_path / "out" / "sub").rmdir()
    check_output_folder(tmp_path / "out", inputs=[], overwrite=True)

    (tmp_path / "out" / foreign).touch()
    with pytest.raises(UsageError, match=f"holds {foreign}, which this program did not write"):
        check_output_folder(tmp_path / "out", inputs=[], overwrite=True)
