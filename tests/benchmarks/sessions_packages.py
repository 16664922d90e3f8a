"""Real recordings and measured responses that ship in package registries, unpacked into the cache.

Debian ``libmysofa1`` holds ear responses of the KEMAR manikin (Gardner and Martin, 1994); ``espeak-ng`` makes
speech; ``sonic-pi-samples`` holds real instruments.  Nothing is fetched unless `fetch` is set; what is absent
is skipped.
"""

import os
import shutil
import subprocess
import sys
from functools import cache
from pathlib import Path

import numpy as np
from sessions_base import cache_dir

#: Written for this benchmark: vowels, stops and hisses by turns.
TEXT = (
    "We put the first stand beside the piano and carried two more up the stairs. The singer hums "
    "while the cables are laid, somebody drops a box, and then at last the red lamp glows and all is quiet."
)


@cache
def unpacked(package: str, *, fetch: bool) -> Path | None:
    """Folder of one Debian package's files, or None where it is neither at hand nor to be fetched."""
    folder = cache_dir() / "packages" / package
    if folder.is_dir():
        return folder
    if not fetch or shutil.which("apt-get") is None:
        return None
    work = cache_dir() / "downloads"
    work.mkdir(parents=True, exist_ok=True)
    got = subprocess.run(["apt-get", "download", package], cwd=work, check=False, capture_output=True)
    files = sorted(work.glob(f"{package}_*.deb"))
    if got.returncode or not files:
        return None
    folder.mkdir(parents=True)
    subprocess.run(["dpkg-deb", "-x", str(files[-1]), str(folder)], check=True)
    return folder


def _to_rate(x: np.ndarray, rate: int) -> np.ndarray:
    from math import gcd

    from scipy.signal import resample_poly
    from sessions_rooms import RATE

    g = gcd(rate, RATE)
    return resample_poly(x, RATE // g, rate // g) if rate != RATE else x


def instruments(*, fetch: bool, once: bool = False) -> list[np.ndarray]:
    """Sustained or rhythmic real instruments longer than two seconds, mono, at the benchmark's rate.

    With ``once`` no recording that may hold another one's sound (names that begin alike, up to a number or a
    second word).
    """
    import soundfile

    folder = unpacked("sonic-pi-samples", fetch=fetch)
    if folder is None:
        return []
    wanted = ("guit_", "loop_", "ambi_choir", "ambi_piano", "bass_", "sn_", "tabla_")
    sounds = []
    families: set[str] = set()
    for path in sorted(folder.rglob("*.flac")):
        family = "_".join(path.stem.rstrip("0123456789").split("_")[:2])
        if once and family in families:
            continue
        if path.name.startswith(wanted) and soundfile.info(path).duration > 2.0:
            families.add(family)
            x, rate = soundfile.read(path, always_2d=True)
            sounds.append(_to_rate(x[:, 0], rate))
    return sounds


def speech(*, fetch: bool) -> list[np.ndarray]:
    """Machine speech in four voices, at the benchmark's rate."""
    import soundfile

    parts = [
        unpacked(p, fetch=fetch)
        for p in ("espeak-ng", "espeak-ng-data", "libespeak-ng1", "libpcaudio0", "libsonic0")
    ]
    if any(p is None for p in parts):
        return []
    roots = [p for p in parts if p is not None]
    program = next(roots[0].rglob("bin/espeak-ng"))
    data = next(p for p in roots[1].rglob("espeak-ng-data") if p.is_dir() and (p / "phontab").exists())
    libraries = ":".join(sorted({str(f.parent) for r in roots[2:] for f in r.rglob("*.so*")}))
    sounds = []
    for k, voice in enumerate(("en-gb", "en-us", "en-gb+f3", "en-us+m4")):
        path = cache_dir() / f"spoken_{k}.wav"
        if not path.exists():
            made = subprocess.run(
                [str(program), f"--path={data.parent}", "-v", voice, "-w", str(path), TEXT],
                env={**os.environ, "LD_LIBRARY_PATH": libraries},
                check=False,
                capture_output=True,
            )
            if made.returncode:
                return []
        x, rate = soundfile.read(path)
        sounds.append(_to_rate(x, rate))
    return sounds


def ears(*, fetch: bool) -> list[tuple[float, np.ndarray, float]]:
    """Ear responses within 60 degrees of the median plane, with the lag right minus left in ms (needs h5py).

    The lag is that of the responses' own correlation maximum; nearer to the side the head's shadow makes
    onset and correlation differ by more than 0.1 ms, and there is no one lag to hold an answer against.
    """
    folder = unpacked("libmysofa1", fetch=fetch)
    if folder is None:
        return []
    extra = cache_dir() / "python"
    if extra.is_dir() and str(extra) not in sys.path:
        sys.path.append(str(extra))
    try:
        import h5py
    except ImportError:
        return []
    path = next(folder.rglob("MIT_KEMAR_normal_pinna.sofa"))
    with h5py.File(path) as file:
        responses = np.asarray(file["Data.IR"])
        positions = np.asarray(file["SourcePosition"])
    found = []
    for h, (azimuth, elevation, _) in zip(responses, positions, strict=True):
        if abs(elevation) < 1 and abs(np.sin(np.radians(azimuth))) < 0.87:
            found.append((float(azimuth), h, _lag_ms(h[0], h[1])))
    return found


def _lag_ms(left: np.ndarray, right: np.ndarray) -> float:
    """Lag of the right response against the left, eight times oversampled, 44.1 kHz."""
    from scipy.signal import correlate, resample_poly

    one, two = resample_poly(left, 8, 1), resample_poly(right, 8, 1)
    return float(np.argmax(correlate(two, one)) - (len(one) - 1)) / (8 * 44.1)
