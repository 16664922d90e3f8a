"""What counts as a session below a folder, and where its report goes."""

from pathlib import Path

import numpy as np
import pytest
import soundfile

from polaritykit.base.errors import InputError
from polaritykit.jobs.archive.find import find_sessions, report_folder


def audio(path, channels=1):
    """Write a short file with sound in it."""
    path.parent.mkdir(parents=True, exist_ok=True)
    sound = np.random.default_rng(1).normal(size=(4000, channels)) * 0.1
    soundfile.write(path, sound, 8000, subtype="PCM_16")


def found(root):
    """Sessions of a root, each with its files."""
    return {
        request.session: [stamp.file for stamp in request.files]
        for request in find_sessions(root, root.parent / "out", program="test")
    }


def test_folders_and_multichannel_files_are_sessions(tmp_path):
    """In natural order; one mono file, hidden folders, reports and copies are none."""
    root = tmp_path / "shelf"
    for name in ("take 10/a.wav", "take 10/b.wav", "take 2/a.wav", "take 2/b.wav", "deep/er/l.flac"):
        audio(root / name)
    audio(root / "deep/er/stereo.wav", 2)
    audio(root / "poly/one.wav", 4)
    audio(root / "poly/two.wav", 8)
    audio(root / "alone/mono.wav")
    audio(root / ".trash/a.wav")
    audio(root / ".trash/b.wav")
    audio(root / "copies/a.wav")
    audio(root / "copies/b.wav")
    (root / "copies" / ".polaritykit-folder.json").write_text("{}")

    assert found(root) == {
        "deep/er": ["deep/er/l.flac", "deep/er/stereo.wav"],
        "poly/one.wav": ["poly/one.wav"],
        "poly/two.wav": ["poly/two.wav"],
        "take 2": ["take 2/a.wav", "take 2/b.wav"],
        "take 10": ["take 10/a.wav", "take 10/b.wav"],
    }


def test_the_root_itself_may_be_a_session(tmp_path):
    """Named by its folder."""
    audio(tmp_path / "kit" / "a.wav")
    audio(tmp_path / "kit" / "b.wav")

    assert found(tmp_path / "kit") == {"kit": ["a.wav", "b.wav"]}


def test_a_folder_of_broken_files_is_a_session_that_will_fail(tmp_path):
    """It is not passed over in silence."""
    (tmp_path / "kit").mkdir()
    for name in ("a.wav", "b.wav"):
        (tmp_path / "kit" / name).write_text("no audio")

    assert found(tmp_path) == {"kit": ["kit/a.wav", "kit/b.wav"]}


def test_reports_of_like_names_lie_apart():
    """Same name in two folders, and a name that no file system takes."""
    places = {report_folder(name) for name in ("a/kit", "b/kit", "c/" + "ü" * 300, "d/\udcff", "e/..")}

    assert len(places) == 5
    for place in places:
        assert len(Path(place).name) <= 60
        assert ".." not in place


def test_a_root_that_is_no_folder(tmp_path):
    """One sentence."""
    with pytest.raises(InputError, match="is no folder; name the one that holds the sessions"):
        list(find_sessions(tmp_path / "gone", tmp_path / "out", program="test"))
