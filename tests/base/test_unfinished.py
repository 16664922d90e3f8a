"""What a killed run leaves: cleared away by the next one in that place, a live run's left alone.

What must hold is said in README.md (what a killed run leaves); kills are SIGKILL, which nothing can catch.
"""

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from places import ROOT

from polaritykit.base.unfinished import PREFIX, clear_up
from polaritykit.base.whole_files import check_output_folder, output_folder, write_file

pytestmark = pytest.mark.skipif(os.name != "posix", reason="SIGKILL and flock are POSIX")

#: Fills a folder that replaces `out`, and waits there, or between the two renames.
SCRIPT = """
import sys, time
from pathlib import Path
from polaritykit.base import whole_files
place, where = Path(sys.argv[1]), sys.argv[2]
def wait():
    print("here", flush=True)
    time.sleep(60)
check = whole_files._check_content
def checked(content, folder):
    check(content, folder)
    if where == "between" and content.name == "old":
        wait()
whole_files._check_content = checked
if where == "file":
    with whole_files.replacing(place) as temporary:
        temporary.write_text("half")
        wait()
with whole_files.output_folder(place, overwrite=True) as folder:
    (folder / "report.json").write_text("new")
    if where == "filling":
        wait()
"""


def started(place, where):
    """Start a run that waits at a point."""
    run = subprocess.Popen(
        [sys.executable, "-c", SCRIPT, str(place), where],
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )
    assert run.stdout.readline() == "here\n"
    return run


def killed(run):
    """Kill it as nothing can be caught."""
    run.send_signal(signal.SIGKILL)
    run.wait()
    run.stdout.close()


def made(place):
    """Make an old report in a place."""
    with output_folder(place) as folder:
        (folder / "report.json").write_text("old")
    return place


def names(folder):
    """Everything in a folder, hidden files too."""
    return sorted(path.name for path in folder.iterdir())


@pytest.mark.parametrize("where", ["filling", "between"])
def test_a_killed_run_leaves_nothing_for_long(tmp_path, where):
    """The next run in that place clears away, and the old report is back where it was."""
    place = made(tmp_path / "out")
    killed(started(place, where))
    assert len(names(tmp_path)) > (where == "filling")  # the leftover is there

    check_output_folder(tmp_path / "another", inputs=[], overwrite=False)

    assert names(tmp_path) == ["out"]
    assert (place / "report.json").read_text() == "old"


def test_a_killed_file(tmp_path):
    """A single file's leftover goes too, with the next file written beside it."""
    write_file(tmp_path / "a.txt", "old")
    killed(started(tmp_path / "a.txt", "file"))
    assert len(names(tmp_path)) == 2

    write_file(tmp_path / "b.txt", "x")

    assert names(tmp_path) == ["a.txt", "b.txt"]
    assert (tmp_path / "a.txt").read_text() == "old"


@pytest.mark.parametrize("where", ["filling", "between"])
def test_a_live_run_is_left_alone(tmp_path, where):
    """What another run is at work on stays, at any point."""
    run = started(made(tmp_path / "out"), where)
    before = sorted(path for path in tmp_path.rglob("*"))

    clear_up(tmp_path)

    assert sorted(path for path in tmp_path.rglob("*")) == before
    killed(run)


def test_what_came_meanwhile_is_kept(tmp_path):
    """The user puts a folder there after the kill: his own stays, and so does a take in the old."""
    place = made(tmp_path / "out")
    killed(started(place, "between"))
    (holder,) = tmp_path.glob(f"{PREFIX}*")
    (holder / "old" / "take.wav").write_text("take")
    place.mkdir()

    clear_up(tmp_path)

    assert (holder / "old" / "take.wav").read_text() == "take"
    assert names(place) == []


@pytest.mark.parametrize("content", [None, b"", b"{}", b"[]", b'{"program": "polaritykit", "place": "../x"}'])
def test_what_is_not_ours_stays(tmp_path, content):
    """A folder that happens to be called so is not touched; nor is one whose slip says nonsense."""
    holder = tmp_path / f"{PREFIX}mine"
    (holder / "old").mkdir(parents=True)
    (holder / "old" / "take.wav").write_text("take")
    if content is not None:
        (holder / ".polaritykit-run.json").write_bytes(content)

    clear_up(tmp_path)

    assert (holder / "old" / "take.wav").read_text() == "take"


def test_killed_at_once(tmp_path):
    """A folder without a slip is one being made now, or, when it is older, one that was killed at once."""
    holder = tmp_path / f"{PREFIX}x"
    holder.mkdir()
    clear_up(tmp_path)
    assert holder.exists()

    old = time.time() - 3600
    os.utime(holder, (old, old))
    clear_up(tmp_path)
    assert not holder.exists()


def test_a_link_is_no_holder(tmp_path):
    """A link of that name leads elsewhere: nothing there is touched."""
    other = tmp_path / "other"
    other.mkdir()
    (other / ".polaritykit-run.json").write_text('{"program": "polaritykit", "place": "x"}')
    Path(tmp_path / f"{PREFIX}x").symlink_to(other)

    clear_up(tmp_path)

    assert names(other) == [".polaritykit-run.json"]
