"""Writing: complete or not at all, and never over what is not ours.

What must hold is issue 2's list of errors and plain arithmetic on folders; no outside numbers exist.
"""

from pathlib import Path

import pytest

from polaritykit.base.errors import UsageError
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
    assert names(tmp_path / "out") == ["other.csv", "report.json"]
    assert (tmp_path / "out" / "report.json").read_text() == "new"


def test_an_empty_folder_may_be_filled(tmp_path):
    """An existing empty folder is no obstacle: there is nothing to lose."""
    (tmp_path / "out").mkdir()
    with output_folder(tmp_path / "out") as folder:
        (folder / "report.json").touch()
    assert names(tmp_path / "out") == ["report.json"]


@pytest.mark.parametrize(
    ("out", "overwrite", "message"),
    [
        ("session", True, "lies in session, which is read"),
        ("session/report", False, "lies in session, which is read"),
        ("session/../session/deep", False, "lies in session, which is read"),
        (".", True, "holds session, which is read"),
        ("report", False, "exists; choose another, or use --overwrite"),
        ("photos", False, "exists; choose another, or use --overwrite"),
        ("photos", True, "holds no earlier report and is not replaced"),
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
