"""One setting, wherever it is shown; and no two tracks that null once it is set.

Two copies that are brought together add, 20·lg(1 + g) over the one alone; that one of them is upside down,
late or filtered must not matter (both by definition of a sum).
"""

import csv
import io
import json
import re
from functools import cache

import numpy as np
import pytest
import soundfile
from places import DEMO_AUDIO
from scipy.fft import irfft, rfft, rfftfreq
from scipy.signal import butter, sosfilt

import polaritykit
from polaritykit.jobs.check.document import build_document
from polaritykit.jobs.check.page import report_page
from polaritykit.jobs.check.text import corrections_csv, pairs_csv, summary_text
from polaritykit.jobs.check.words import advised, needs_setting, setting

KIT = DEMO_AUDIO / "drum_kit"


@pytest.fixture(scope="module")
def report():
    """Check the demo's kit: two cables are wired backwards, several mics are early."""
    session = polaritykit.open_session(KIT)
    return build_document(polaritykit.analyse(session.recording), session)


def relative(tracks, pair):
    """Take the setting of a pair's second track against its first."""
    a, b = (next(t for t in tracks if t["name"] == pair[side]) for side in ("reference", "other"))
    return a["invert"] != b["invert"], b["shift_ms"] - a["shift_ms"]


def test_every_pair_shows_the_sessions_setting(report):
    """Its advice is the difference of two settings, flip and shift, for every related pair."""
    for pair in report["pairs"]:
        if pair["related"] and pair["relation"] != "copy":
            invert, shift_ms = relative(report["corrections"]["tracks"], pair)
            assert pair["advice"]["invert"] == invert, pair
            assert pair["advice"]["shift_ms"] == pytest.approx(shift_ms, abs=0.1), pair
            assert pair["advice"]["delay_ms"] == pytest.approx(abs(pair["advice"]["shift_ms"]))


def test_delays_are_the_shifts_with_the_earliest_at_zero(report):
    """A desk and a workstation end at the same place."""
    tracks = report["corrections"]["tracks"]
    earliest = min(track["shift_ms"] for track in tracks)

    assert any(track["invert"] for track in tracks)
    assert any(track["shift_ms"] for track in tracks)
    assert [t["delay_ms"] for t in tracks] == pytest.approx([t["shift_ms"] - earliest for t in tracks])


def test_lists_hold_the_same_numbers(report):
    """CSV of tracks and of pairs against the document they are made of."""
    rows = list(csv.DictReader(io.StringIO(corrections_csv(report))))
    for row, track in zip(rows, report["corrections"]["tracks"], strict=True):
        assert (row["name"], row["invert"]) == (track["name"], str(track["invert"]).lower())
        assert [float(row[f"{n}_ms"]) for n in ("delay", "shift")] == [track["delay_ms"], track["shift_ms"]]
    for row, pair in zip(csv.DictReader(io.StringIO(pairs_csv(report))), report["pairs"], strict=True):
        assert row["advice_invert"] == str(pair["advice"]["invert"]).lower()
        assert float(row["advice_shift_ms"]) == pair["advice"]["shift_ms"]


def test_terminal_page_and_bench_hold_the_same_setting(report):
    """Words of every setting stand in both; the bench's preset is the pair's advice."""
    terminal = " ".join(summary_text(report, width=500).split())
    page = report_page(report)
    shown = " ".join(re.sub(r"<[^>]+>", " ", page).split())
    for track in report["corrections"]["tracks"]:
        if needs_setting(track):
            assert setting(track, report["sample_rate"]) in terminal
            assert f"{track['delay_ms']:.2f}" in shown
    for pair in report["pairs"]:
        if pair["related"]:
            assert advised(pair).split(",")[-1].strip() in shown
    data = json.loads(re.search(r'<script type="application/json"[^>]*>(.*?)</script>', page, re.DOTALL)[1])
    by_name = {(pair["reference"], pair["other"]): pair for pair in report["pairs"]}
    for preset in data["pairs"]:
        invert, shift_ms = relative(report["corrections"]["tracks"], preset)
        assert preset["session"]["invert"] == invert
        assert preset["session"]["delay"] == pytest.approx(shift_ms)
        assert by_name[preset["reference"], preset["other"]]["related"]


@cache
def recorded():
    """Half of the demo's tracks, the miswired ones among them."""
    names = ("02_snare_top", "06_tom_low", "07_overhead_left", "08_overhead_right")
    tracks = {name: soundfile.read(KIT / f"{name}.flac") for name in names}
    return {name: samples for name, (samples, _) in tracks.items()}, tracks[names[0]][1]


def later(samples, by):
    """Delay by whole samples."""
    return np.concatenate([np.zeros(by), samples[: len(samples) - by]])


def shaped(samples, rate):
    """Filter as a processed duplicate is."""
    return sosfilt(butter(2, [60, 9000], "bandpass", fs=rate, output="sos"), samples)


MADE = {
    "exact": lambda x, _: 0.7 * x,
    "turned over": lambda x, _: -0.7 * x,
    "late": lambda x, _: later(x, 64),
    "late, turned over": lambda x, _: -later(x, 64),
    "filtered": shaped,
    "filtered, late, turned over": lambda x, rate: -later(shaped(x, rate), 64),
}


@pytest.mark.parametrize("how", MADE)
def test_no_two_tracks_null_once_all_is_set(how):
    """A copy of a track that is right, and of one that is flipped."""
    tracks, rate = recorded()
    originals = ("02_snare_top", "06_tom_low")
    copies = {f"{name}.dup1": MADE[how](tracks[name], rate) for name in originals}
    tracks = {**tracks, **copies}
    found = polaritykit.analyse_arrays(tracks, sample_rate_hz=rate)
    for original in originals:
        sums = []
        for track in found.corrections.tracks:
            if track.name.startswith(original):
                turns = np.exp(
                    -2j * np.pi * rfftfreq(2 * len(tracks[original]), 1 / rate) * track.delay_ms * 1e-3
                )
                moved = irfft(rfft(tracks[track.name], 2 * len(tracks[original])) * turns)
                sums.append((-1.0 if track.invert else 1.0) * moved)

        assert len(sums) == 2
        alone_db, both_db = (10 * np.log10(np.mean(np.square(x))) for x in (sums[0], sum(sums)))
        # A filter turns the phase as well; it must not cost what the original has.
        assert both_db - alone_db > (2.0 if "filtered" in how else 4.5)
