"""A document of an invented session with known delays and polarities, hostile names included.

Three noise sources of different colour reach ten microphones with exact delays (phase ramps); every number in
the document that the page draws from follows from these signals.
"""

import base64
from dataclasses import asdict
from functools import cache

import numpy as np

from polaritykit.spectra.pair_sum import FLOOR_DB, band_gains, energy_band, log_bands, sum_effects_db
from polaritykit.spectra.records import PairSpectra
from polaritykit.spectra.seen_notches import seen_notches
from polaritykit.spectra.stored import (
    bands_entry,
    encode,
    group_centres,
    group_starts,
    grouped_power,
    pair_entry,
)

RATE = 48_000
FFT = 4096
FRAMES = 24

HOSTILE = "<img src=x onerror=\"document.title='owned'\">"
CLOSING = "</script><script>document.title='owned'</script>"
QUOTES = 'it\'s "quoted" & `ticked` {{ 7*7 }}'
RIGHT_TO_LEFT = "תוף \u202eevil\u202c صنج"
LONG = "room_" + "very_long_name_" * 13
EMOJI = "🥁 hat 👩‍🎤"

#: Track -> for each source (drum, snare, cymbal) gain and delay in samples, and its polarity.
TRACKS = {
    "01_kick": (((1.0, 0.0), (0.05, 60.0), (0.01, 70.0)), 1),
    "02_snare_top": (((0.08, 62.0), (1.0, 0.0), (0.05, 30.0)), 1),
    "03_snare_bottom": (((0.06, 66.0), (0.7, 8.0), (0.04, 40.0)), -1),
    EMOJI: (((0.02, 90.0), (0.08, 35.0), (1.0, 0.0)), 1),
    HOSTILE: (((0.1, 50.0), (0.15, 70.0), (0.03, 80.0)), 1),
    QUOTES: (((0.1, 80.0), (0.12, 95.0), (0.06, 60.0)), -1),
    "07_oh_left": (((0.3, 190.0), (0.5, 123.4), (0.5, 100.0)), 1),
    RIGHT_TO_LEFT: (((0.3, 200.0), (0.45, 150.0), (0.4, 140.0)), 1),
    LONG: (((0.3, 420.0), (0.3, 400.0), (0.2, 410.0)), 1),
    CLOSING: (((0.0, 0.0), (0.0, 0.0), (0.0, 0.0)), 1),
}
SOURCES = ("01_kick", "02_snare_top", EMOJI)
BANDS_HZ = ((40.0, 400.0), (150.0, 6000.0), (3000.0, 14000.0))


def _sources(rng, n):
    frequency = np.fft.rfftfreq(n, 1 / RATE)
    made = []
    for low, high in BANDS_HZ:
        shape = 1.0 / (1.0 + (low / np.maximum(frequency, 1)) ** 4) / (1.0 + (frequency / high) ** 4)
        made.append(np.fft.rfft(rng.standard_normal(n)) * np.sqrt(shape))
    return made, frequency


@cache
def signals():
    """Track name -> samples, from the table above."""
    rng = np.random.default_rng(7)
    n = FFT * FRAMES
    sources, frequency = _sources(rng, n)
    made = {}
    for name, (paths, sign) in TRACKS.items():
        total = sum(
            gain * source * np.exp(-2j * np.pi * frequency * delay / RATE)
            for source, (gain, delay) in zip(sources, paths, strict=True)
        )
        made[name] = sign * 0.2 * np.fft.irfft(total, n) + 2e-3 * rng.standard_normal(n)
    return made


@cache
def spectra():
    """Frequencies, and the spectra of all frames of each track."""
    window = np.hanning(FFT)
    frames = {
        name: np.fft.rfft(signal.reshape(FRAMES, FFT) * window, axis=1) for name, signal in signals().items()
    }
    return np.fft.rfftfreq(FFT, 1 / RATE), frames


def pair_spectra(a, b):
    """Pooled spectra of two tracks."""
    frequency, frames = spectra()
    return PairSpectra(
        frequency_hz=frequency,
        auto_a=np.mean(np.abs(frames[a]) ** 2, axis=0),
        auto_b=np.mean(np.abs(frames[b]) ** 2, axis=0),
        cross=np.mean(np.conj(frames[a]) * frames[b], axis=0),
    )


def _track(name):
    if name == CLOSING:
        return {
            "name": name,
            "file": name + ".wav",
            "channel": 0,
            "faults": ["silent"],
            "peak_dbfs": None,
            "true_peak_dbtp": None,
            "rms_dbfs": None,
            "crest_db": None,
            "noise_floor_dbfs": None,
            "dc_offset": 0.0,
            "clipped_runs": 0,
            "clipped_samples": 0,
            "hum_hz": None,
            "hum_dbfs": None,
            "duplicate_of": None,
            "linked_with": None,
            "remarks": ["Nothing was recorded on this track."],
        }
    signal = signals()[name]
    peak = float(20 * np.log10(np.max(np.abs(signal))))
    rms = float(10 * np.log10(np.mean(signal**2)))
    clipped = name == "01_kick"
    linked = {"07_oh_left": RIGHT_TO_LEFT, RIGHT_TO_LEFT: "07_oh_left"}.get(name)
    return {
        "name": name,
        "file": name + ".wav",
        "channel": 0,
        "faults": ["clipped"] if clipped else [],
        "peak_dbfs": peak,
        "true_peak_dbtp": peak + 0.3,
        "rms_dbfs": rms,
        "crest_db": peak - rms,
        "noise_floor_dbfs": -62.4,
        "dc_offset": 0.0,
        "clipped_runs": 12 * clipped,
        "clipped_samples": 61 * clipped,
        "hum_hz": None,
        "hum_dbfs": None,
        "duplicate_of": None,
        "linked_with": linked,
        "remarks": ["12 flat tops: use the pad at the microphone first, then turn the preamp down."]
        * clipped,
    }


def _notches(offset_ms, polarity):
    """Odd multiples of 1/(2 tau), inverted multiples of 1/tau (closed form)."""
    first = 0.5 if polarity == "same" else 0.0
    return [1e3 * (k + first) / abs(offset_ms) for k in range(4)]


def _pair(a, b):
    paths_a, sign_a = TRACKS[a]
    paths_b, sign_b = TRACKS[b]
    if not paths_a[0][0] or not paths_b[0][0]:
        return None
    both = pair_spectra(a, b)
    strength = [ga * gb for (ga, _), (gb, _) in zip(paths_a, paths_b, strict=True)]
    order = [k for k in np.argsort(strength)[::-1] if strength[k] > 0.03]
    offsets = [(paths_b[k][1] - paths_a[k][1]) / RATE * 1e3 for k in range(3)]
    related = bool(order)
    unclear = related and LONG in (a, b) and len(order) < 2
    polarity = "same" if sign_a == sign_b else "inverted"
    sources = []
    for k in order:
        band = energy_band(pair_spectra(SOURCES[k], SOURCES[k]).auto_a, both.frequency_hz)
        sources.append(
            {
                "home": SOURCES[k],
                "kind": "hits",
                "hits": 40 + 2 * int(k),
                "offset_ms": offsets[k],
                "offset_std_ms": 0.01,
                "polarity": polarity,
                "confidence": 0.96,
                "level_db": -6.0,
                "dissents": False,
                "level_difference_db": -6.0,
                "sum_effect_db": sum_effects_db(both, [band], [0.0])[0],
                "sum_effect_aligned_db": sum_effects_db(both, [band], [-offsets[k]])[0],
                "band_hz": list(band),
            }
        )
    pair = {
        "reference": a,
        "other": b,
        "related": related,
        "relation": "acoustic" if related else None,
        "offset_ms": None,
        "offset_std_ms": None,
        "offset_samples": None,
        "polarity": "unclear",
        "confidence": None,
        "grade": None,
        "method": None,
        "reason": "share no sound above chance",
        "sources": sources,
        "level_difference_db": None,
        "notches_hz": [],
        "notch_depth_db": None,
        "gain_db": None,
        "drift_ppm": None,
        "changes": [],
        "advice": None,
    }
    if not related:
        return pair
    main = order[0]
    gains = band_gains(both, offset_ms=offsets[main], band_hz=tuple(sources[0]["band_hz"]))
    gain_db = {
        "flipped": gains.flipped_db,
        "aligned": gains.aligned_db,
        "aligned_flipped": gains.aligned_flipped_db,
    }
    pair |= {
        "offset_ms": offsets[main],
        "offset_std_ms": 0.01,
        "offset_samples": offsets[main] * RATE / 1e3,
        "polarity": polarity,
        "confidence": 0.97,
        "grade": "strong",
        "method": "hits",
        "reason": None,
        "level_difference_db": -6.2,
        "notches_hz": _notches(offsets[main], polarity),
        "notch_depth_db": -8.4,
        "gain_db": gain_db,
    }
    if unclear:
        pair |= {
            "polarity": "unclear",
            "confidence": 0.55,
            "reason": "two lobes of opposite sign are equally high",
        }
    flip = pair["polarity"] == "inverted"
    option = "aligned_flipped" if flip else "aligned"
    worth = not unclear and gain_db[option] > 0.5
    action = ("flip_and_delay" if flip else "delay") if worth else ("listen" if unclear else "leave")
    pair["advice"] = {
        "action": action,
        "invert": worth and flip,
        "delay_ms": abs(offsets[main]) if worth else 0.0,
        "shift_ms": -offsets[main] if worth else 0.0,
        "note": None,
        "gain_db": gain_db[option] if worth else 0.0,
        "why": "the sum gains in the source's band"
        if worth
        else "no setting gains more than its uncertainty",
    }
    return pair


def _curves(pairs):
    frequency, _ = spectra()
    starts = group_starts(frequency)
    centres = group_centres(frequency, starts)
    kept = [pair for pair in pairs if pair["related"]]
    lag_step, reach = 1e3 / RATE, 720
    entries = []
    for pair in kept:
        both = pair_spectra(pair["reference"], pair["other"])
        lags = np.fft.irfft(both.cross, FFT) * FFT
        scale = np.sqrt(np.sum(both.auto_a) * np.sum(both.auto_b)) * 2
        entries.append(
            pair_entry(
                pair["reference"],
                pair["other"],
                spectra=both,
                starts=starts,
                aligned_ms=pair["offset_ms"],
                correlation=np.roll(lags, reach)[: 2 * reach + 1] / scale,
            )
            | {"notches": [_seen(both, source) for source in pair["sources"]]}
        )
    return {
        "frequency_hz": [float(centre) for centre in centres],
        "lag_ms": {"start": -reach * lag_step, "step": lag_step, "count": 2 * reach + 1},
        "floor_db": FLOOR_DB,
        "bands": bands_entry(log_bands(centres)),
        "tracks": {name: encode(grouped_power(pair_spectra(name, name).auto_a, starts)) for name in TRACKS},
        "pairs": entries,
    }


def _seen(both, source):
    seen = seen_notches(both, offset_ms=source["offset_ms"], inverted=source["polarity"] == "inverted")
    return asdict(seen) | {"notches_hz": list(seen.notches_hz)}


def _waves(pairs):
    """All tracks from the same moment, a few hundredths of a second."""
    kept = [pair for pair in pairs if pair["related"]]
    places = {name: place for place, name in enumerate(TRACKS)}
    return {
        "sample_rate": RATE,
        "sounds": [_excerpt(name, RATE // 25) for name in TRACKS],
        "pairs": [
            {
                "reference": pair["reference"],
                "other": pair["other"],
                "around": "a moment at 0.0 s",
                "a": places[pair["reference"]],
                "b": places[pair["other"]],
                "hit_s": None,
            }
            for pair in kept
        ],
    }


def _excerpt(name, n=RATE // 2):
    samples = signals()[name][:n]
    peak = float(np.max(np.abs(samples)))
    text = base64.b64encode(np.round(samples / peak * 32767).astype("<i2").tobytes()).decode()
    return {"track": name, "start_s": 0.0, "gain": peak, "samples": text}


def make_document(*, audio=False):
    """Build the document of a check of the invented session."""
    names = list(TRACKS)
    pairs = [_pair(a, b) for k, a in enumerate(names) for b in names[k + 1 :]]
    pairs = [pair for pair in pairs if pair is not None]
    latest = max(paths[1][1] for paths, _ in TRACKS.values())
    settings = [
        {
            "name": name,
            "invert": sign < 0,
            "delay_samples": latest - paths[1][1],
            "delay_ms": (latest - paths[1][1]) / RATE * 1e3,
            "shift_ms": (latest - paths[1][1]) / RATE * 1e3,
            "status": "set",
            "reason": "coincide",
            "losses": [],
            "why": "its own source reaches the anchor this late",
        }
        for name, (paths, sign) in TRACKS.items()
        if name != CLOSING
    ]
    related = [pair for pair in pairs if pair["related"]]
    document = {
        "schema_version": 1,
        "program": {"name": "polaritykit", "version": "0.1.0"},
        "command": "check",
        "created": "2025-01-31T12:00:00+00:00",
        "session": {
            "name": "invented kit",
            "duration_s": FFT * FRAMES / RATE,
            "n_samples": FFT * FRAMES,
            "purpose": "kit",
        },
        "sample_rate": RATE,
        "recorders": [],
        "notes": ["All tracks start together; the common span of 2.0 s is used."],
        "summary": {
            "headline": "Flip 2 of 10 tracks and delay 8.",
            "sentences": [
                f"03_snare_bottom and {QUOTES} are inverted against the rest.",
                "Aligned to the anchor, the snare's band gains 1.9 dB.",
            ],
            "counts": {
                "pairs": len(pairs),
                "related": len(related),
                "decided": sum(pair["polarity"] != "unclear" for pair in related),
                "inverted": sum(pair["polarity"] == "inverted" for pair in related),
            },
        },
        "tracks": [_track(name) for name in names],
        "sources": [
            {"id": k, "home": home, "kind": "hits", "hits": 40 + 2 * k, "arrivals": []}
            for k, home in enumerate(SOURCES)
        ],
        "pairs": pairs,
        "corrections": {
            "anchor": "07_oh_left",
            "tracks": settings,
            "groups": [[n for n in names if n != CLOSING]],
            "outvoted": [
                {"reference": "01_kick", "other": LONG, "why": "the others agree on the opposite sign"}
            ],
            "loops": [{"tracks": ["01_kick", "02_snare_top", "07_oh_left"], "residual_ms": 0.012}],
        },
        "kit_sum": {
            "centre_hz": [63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0],
            "before_db": [-2.1, -1.0, 0.2, 0.4, -0.3, 0.1, 0.0, 0.1],
            "after_db": [4.2, 3.1, 2.0, 1.4, 0.9, 0.8, 0.3, 0.2],
        },
        "served": [
            {
                "home": "02_snare_top",
                "together": ["02_snare_top", "03_snare_bottom"],
                "apart": [{"track": HOSTILE, "residual_ms": -1.234}],
            }
        ],
        "sum_peak": {"dbtp": -1.23, "is_bound": False},
        "levels_advice": ["The sum of all tracks at unity gain, with these settings, peaks at -1.2 dBTP."],
        "curves": _curves(pairs),
        "waves": _waves(pairs),
        "settings": {"estimator": {"min_hits": 6, "bands_hz": [60, 250]}, "purpose": "kit"},
    }
    if audio:
        document["audio"] = {
            "sample_rate": RATE,
            "sounds": [_excerpt(name) for name in ("02_snare_top", "03_snare_bottom", "07_oh_left")],
            "pairs": [
                {"reference": "02_snare_top", "other": other, "around": "a hit at 0.2 s", "a": 0, "b": place}
                for place, other in ((1, "03_snare_bottom"), (2, "07_oh_left"))
            ],
            "session": {
                "sample_rate": RATE,
                "start_s": 0.0,
                "flips_gain_db": -1.5,
                "all_gain_db": 2.25,
                "sounds": [_excerpt(name) for name in TRACKS if name != CLOSING],
            },
        }
    return document
