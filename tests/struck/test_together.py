"""Groups of tracks whose strokes fall together, made up so that the groups are known."""

import numpy as np
from made_strokes import RATE

from polaritykit.struck.onsets import made_onsets
from polaritykit.struck.together import struck_together

SECONDS = 60.0


def onsets(times_s, track):
    """Onsets of one track at some moments."""
    return made_onsets(track, np.round(np.asarray(times_s) * RATE), 0.0, 20.0)


def groups(*tracks):
    """Group tracks that are struck at these moments."""
    found = np.concatenate([onsets(times, track) for track, times in enumerate(tracks)])
    return struck_together(found, len(tracks), RATE, round(SECONDS * RATE))


def test_what_is_heard_later_is_heard_together():
    """Two drums and a mic 12 ms later on both; another room struck as often; a track without onsets."""
    rng = np.random.default_rng(1)
    low, high, other = (np.sort(rng.uniform(0, SECONDS, n)) for n in (60, 40, 100))
    far = np.sort(np.concatenate([low, high])) + 0.012

    assert groups(low, other, high, [], far) == ((0, 2, 4), (1,))


def test_a_few_rare_strokes_are_enough():
    """Four strokes that one of two tracks hears among two hundred."""
    rng = np.random.default_rng(2)
    often = np.sort(rng.uniform(0, SECONDS, 200))

    assert groups(often, often[20::50] + 0.003) == ((0, 1),)


def test_independent_tracks_are_seldom_tied():
    """Of 200 pairs of independent tracks one or two may be, by definition; six would be rare (Poisson)."""
    rng = np.random.default_rng(3)
    tied = 0
    for _ in range(200):
        rates = rng.uniform(0.2, 8.0, 2)
        one, two = (np.sort(rng.uniform(0, SECONDS, rng.poisson(rate * SECONDS) + 1)) for rate in rates)
        # Onsets of a track are 15 ms apart at least.
        tied += len(groups(*(track[np.diff(track, prepend=-1.0) > 0.015] for track in (one, two)))) == 1

    assert tied <= 5
