"""A corrected copy keeps the file's permissions, and names what it cannot carry over.

Layouts: RFC 9639 (FLAC's metadata blocks: 2 application, 6 picture), AIFF-C (chunks of a FORM).
"""

import struct

import numpy as np
import pytest
import soundfile

from polaritykit.jobs.apply.copy_file import write_corrected
from polaritykit.jobs.apply.render import ChannelCorrection

RATE = 48_000
FLIP = [ChannelCorrection(invert=True)]


def written(path):
    """Write a second of noise."""
    sound = 0.1 * np.random.default_rng(0).standard_normal(RATE)
    soundfile.write(path, sound, RATE, subtype="PCM_16")
    return path


def test_flac_blocks_are_named(tmp_path):
    """A picture, an application's block and a comment of the user's own."""
    path = written(tmp_path / "a.flac")
    content = path.read_bytes()
    comment = b"TAKE=7"
    comments = struct.pack("<II", 0, 1) + struct.pack("<I", len(comment)) + comment
    blocks = b"".join(
        bytes([kind]) + len(block).to_bytes(3, "big") + block
        for kind, block in ((6, bytes(32)), (2, b"abcd1234"), (4, comments))
    )
    path.write_bytes(content[:42] + blocks + content[42:])  # behind STREAMINFO: 4 + 4 + 34 bytes

    (remark,) = write_corrected(path, tmp_path / "b.flac", FLIP).remarks
    for part in ("PICTURE", "APPLICATION", "comment TAKE"):
        assert part in remark


def test_aiff_chunks_are_named(tmp_path):
    """Marks and ID3."""
    path = written(tmp_path / "a.aiff")
    content = path.read_bytes()
    more = b"MARK" + struct.pack(">I", 2) + bytes(2) + b"ID3 " + struct.pack(">I", 4) + b"ID3\3"
    path.write_bytes(b"FORM" + struct.pack(">I", len(content) - 8 + len(more)) + content[8:] + more)

    (remark,) = write_corrected(path, tmp_path / "b.aiff", FLIP).remarks
    assert "MARK, ID3" in remark


def test_nothing_is_named_where_nothing_is_lost(tmp_path):
    """Plain files."""
    for name in ("a.flac", "a.aiff", "a.wav"):
        assert write_corrected(written(tmp_path / name), tmp_path / f"b_{name}", FLIP).remarks == ()


def test_bytes_behind_a_wave_are_named(tmp_path):
    """They are no chunk."""
    path = written(tmp_path / "a.wav")
    with path.open("ab") as file:
        file.write(bytes(100))
    (remark,) = write_corrected(path, tmp_path / "b.wav", FLIP).remarks
    assert "100 bytes behind its last chunk" in remark


@pytest.mark.parametrize("mode", [0o640, 0o444, 0o600])
@pytest.mark.parametrize("correction", [ChannelCorrection(), ChannelCorrection(invert=True)])
def test_permissions_are_kept(tmp_path, mode, correction):
    """The POSIX mode of the source, whatever the umask."""
    path = written(tmp_path / "a.wav")
    path.chmod(mode)
    write_corrected(path, tmp_path / "b.wav", [correction])
    assert (tmp_path / "b.wav").stat().st_mode & 0o777 == mode
