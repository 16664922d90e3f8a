"""What the demo sessions state of themselves is what their geometry says."""

import numpy as np
import pytest
import soundfile
from demo_sessions import COMMITTED, stated_by

from polaritykit.jobs.demo import write as demo


@pytest.mark.parametrize("name", list(demo.SESSIONS))
def test_delays_are_distances(name):
    """Each delay is distance / c from one of the points where the source begins, c of ISO 9613-1 at 20 °C."""
    stated = stated_by(name)
    places = {track["name"]: np.array(track["position_m"]) for track in stated["tracks"]}
    for source in stated["sources"]:
        for arrival in source["arrivals"]:
            possible = [
                begin["late_ms"] + np.linalg.norm(places[arrival["track"]] - begin["position_m"]) / 0.3432
                for begin in source["begins_at"]
            ]
            assert min(abs(delay - arrival["delay_ms"]) for delay in possible) < 0.001


def test_wiring_and_sides_explain_every_sign():
    """Signs follow from two swapped cables and the side of the head: nothing else turns a source over.

    The sides are read off the positions: above the snare's head a blow is first a rarefaction, below it a
    compression (first motion of struck heads on a real kit: -1 above, +1 below).
    """
    stated = stated_by("drum_kit")
    swapped = {track["name"] for track in stated["tracks"] if track["wired"] == "backwards"}
    assert swapped == {"06_tom_low", "08_overhead_right"}
    snare = next(source for source in stated["sources"] if source["name"] == "snare")
    head_m = snare["begins_at"][0]["position_m"][2]
    heights = {track["name"]: track["position_m"][2] for track in stated["tracks"]}
    for arrival in snare["arrivals"]:
        side = -1 if heights[arrival["track"]] > head_m else 1
        assert arrival["sign"] == side * (-1 if arrival["track"] in swapped else 1)


def test_pairs_agree_with_arrivals_and_wiring():
    """Offsets are differences of arrivals; the pair's dominant source says what the wiring says.

    Only the snare's lower microphone may differ: it hears the drums from their other side.
    """
    stated = stated_by("drum_kit")
    arrivals = {s["name"]: {a["track"]: a for a in s["arrivals"]} for s in stated["sources"]}
    assert len(stated["pairs"]) == 36
    for pair in stated["pairs"]:
        if pair["dominant_source"] is None:
            assert {pair["reference"], pair["other"]} == {"01_kick", "03_snare_bottom"}
            continue
        heard = arrivals[pair["dominant_source"]]
        first, second = heard[pair["reference"]], heard[pair["other"]]
        assert pair["offset_ms"] == pytest.approx(second["delay_ms"] - first["delay_ms"], abs=2e-4)
        assert (pair["polarity"] == "same") == (first["sign"] == second["sign"])
        other_side = "03_snare_bottom" in {pair["reference"], pair["other"]}
        assert (pair["polarity"] == pair["wiring"]) != other_side


def _onset(samples, places, rate_hz):
    """Median over hits around the stated arrival, less the straight line of what rings on before it."""
    lags = np.arange(-30, int(0.00035 * rate_hz) + 1)
    hits = np.array([np.interp(place + lags, np.arange(len(samples)), samples) for place in places])
    before = lags < 0
    offset, slope = np.polynomial.polynomial.polyfit(lags[before], hits[:, before].T, 1)
    return lags / rate_hz, np.median(hits - offset[:, None] - slope[:, None] * lags, axis=0)


@pytest.mark.parametrize("source_name", ["kick", "snare", "tom_high", "tom_low", "hat"])
def test_sound_begins_at_the_stated_arrival_with_the_stated_sign(source_name):
    """In the audio itself: quiet until the stated arrival, then the stated sign within 0.35 ms.

    The blow takes 0.16 to 0.55 ms to its full push, so 15 % of the first swing comes up to 0.12 ms late, but
    equally late in every track: within 0.04 ms, two samples.
    """
    stated = stated_by("drum_kit")
    rate_hz = stated["sample_rate_hz"]
    source = next(s for s in stated["sources"] if s["name"] == source_name)
    rises = []
    for arrival in source["arrivals"]:
        if not arrival["heard"] or arrival["direct_dbfs"] < -30:
            continue
        samples, _ = soundfile.read(COMMITTED / "drum_kit" / f"{arrival['track']}.flac")
        places = (np.array(source["starts_s"]) + arrival["delay_ms"] / 1000) * rate_hz
        time_s, motion = _onset(samples, places, rate_hz)
        swing = motion[time_s >= 0]
        first = swing[np.argmax(np.abs(swing) > 0.4 * np.abs(swing).max())]
        assert np.sign(first) == arrival["sign"], arrival
        assert np.abs(motion[time_s < 0]).max() < 0.12 * np.abs(swing).max(), arrival
        rises.append(time_s[np.argmax(np.abs(motion) > 0.15 * np.abs(swing).max())])
    assert len(rises) >= 4
    assert min(rises) >= 0
    assert max(rises) <= 0.12e-3
    assert max(rises) - min(rises) <= 0.046e-3
