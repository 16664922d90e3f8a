"""Noise at the Cramér-Rao bound over whole takes, and one saxophone before two unlike microphones.

Truth of the noise is exact.  The saxophone's wiring is our own reading of all of its notes pooled (both mics
move alike); its offset is another one with every note and is not scored.
"""

from pathlib import Path

import numpy as np
from sessions_base import Hearing, PairTruth, Session, SourceTruth, delayed
from sessions_rooms import RATE, finish
from shared_data import shared_data_dir


def noise_session(seed: int, *, snr_db: float, up_to_hz: float, seconds: float) -> Session:
    """Noise of one band on two tracks in noise of the same band, up to 10 ms apart."""
    rng = np.random.default_rng([seed, 53, int(up_to_hz), int(snr_db) + 100])
    n, pad = int(seconds * RATE), 2048

    def banded(size: int) -> np.ndarray:
        spectrum = np.fft.rfft(rng.standard_normal(size))
        spectrum[np.fft.rfftfreq(size, 1 / RATE) > up_to_hz] = 0
        made = np.fft.irfft(spectrum, size)
        return 0.1 * made / np.std(made)

    lag_ms = float(rng.uniform(-10, 10))
    sound = banded(n + 2 * pad)
    other = delayed(np.pad(sound, 4 * pad), lag_ms * 1e-3 * RATE)[4 * pad : -4 * pad]
    level = 10 ** (-snr_db / 20)
    tracks = {"a": sound[pad:-pad] + level * banded(n), "b": other[pad:-pad] + level * banded(n)}
    heard = {
        name: Hearing(arrival_ms=arrival, sign=1, energy=float(n))
        for name, arrival in (("a", 0.0), ("b", lag_ms))
    }
    return finish(
        f"noise {seed}",
        tracks,
        {"noise": heard},
        rng,
        noise_db=-200,
        delays=False,
        colour=False,
        notes={"lag_ms": lag_ms},
    )


def saxophone_session(seed: int, *, n_notes: int) -> Session | None:
    """Put notes of one saxophone in a row, each shifted by up to half an octave; flipped every second time.

    A shift by resampling moves pitch and delays alike: notes that the recordings do not hold.  None where the
    recordings are absent.
    """
    import soundfile
    from scipy.signal import resample_poly

    base = shared_data_dir()
    if base is None or not (base / "sax").is_dir():
        return None
    rng = np.random.default_rng([seed, 59])
    notes = sorted(path.name.removesuffix("_condenser.flac") for path in _condensers(base))
    parts: dict[str, list[np.ndarray]] = {"condenser": [], "dynamic": []}
    for note, step in zip(
        rng.choice(notes, n_notes), rng.choice([71, 79, 89, 100, 112, 126], n_notes), strict=True
    ):
        for mic, made in parts.items():
            x, rate = soundfile.read(base / "sax" / f"{note}_{mic}.flac")
            made.append(resample_poly(x, int(step), 100)[: 3 * rate])
    sign = int(rng.choice([-1, 1]))
    truth = PairTruth(
        reference="condenser",
        other="dynamic",
        related=True,
        polarity="same" if sign > 0 else "inverted",
        sources=(SourceTruth(name="saxophone", offset_ms=None, sign=sign, share_db=0.0),),
    )
    return Session(
        name=f"saxophone {seed}",
        sample_rate_hz=rate,
        tracks={
            "condenser": np.concatenate(parts["condenser"]),
            "dynamic": sign * np.concatenate(parts["dynamic"]),
        },
        pairs=(truth,),
        flips={"condenser": 1, "dynamic": sign},
        delays_ms={"condenser": 0.0, "dynamic": 0.0},
    )


def _condensers(base: Path) -> list[Path]:
    return list((base / "sax").glob("*_condenser.flac"))
