"""Where a sign may be read: at a clear first motion, or at one that the direct sound confirms.

Source: by reasoning from the two readings alone (no source); a sign read where the sound is not says nothing.
"""

from dataclasses import replace

import numpy as np
import pytest

from polaritykit.decide.agreement import agree
from polaritykit.decide.conclusion import DECIDE_MARGIN
from polaritykit.evidence import from_hits
from polaritykit.struck.direct_correlation import DirectTimes
from polaritykit.struck.first_arrival import Arrivals


def picked(late_ms: float, spread_ms: float) -> Arrivals:
    """Two tracks, the second ``late_ms`` later with this spread."""
    ones = np.ones(2)
    return Arrivals(
        arrival_s=np.array([0.0, late_ms * 1e-3]),
        spread_s=np.array([0.0, spread_ms * 1e-3]),
        stability=ones,
        coherence=ones,
        snr_db=40.0 * ones,
        at_edge=np.zeros(2, dtype=bool),
        votes=np.zeros((2, 8)),
    )


def correlated(late_ms: float) -> DirectTimes:
    """Let the direct sound's correlation have the second track so much later."""
    times = np.array([0.0, late_ms * 1e-3])
    return DirectTimes(
        offset_s=times[None, :] - times[:, None],
        std_s=np.zeros((2, 2)),
        agreed=np.ones((2, 2)),
        sign=np.ones((2, 2)),
        longer=np.zeros((2, 2)),
    )


@pytest.mark.parametrize(
    ("spread_ms", "apart_ms", "known"),
    [
        # A clear first motion stands alone: near and far mics of a drum correlate best half a period later.
        (0.02, 2.0, 1.0),
        # One that scatters counts where the direct sound correlates too, and not where it is elsewhere.
        (0.2, 0.1, 1.0),
        (0.2, 1.0, 0.0),
        # Beyond the reach in which a sign is looked for there is no place to read it at.
        (0.6, 0.0, 0.0),
        # Halfway between is half known.
        (0.1, 1.0, 0.5),
        (0.4, 0.0, 0.5),
    ],
)
def test_sign_is_read_where_the_sound_is(spread_ms: float, apart_ms: float, known: float) -> None:
    """And alike for both orders of the pair."""
    found = from_hits._place_known(picked(3.0, spread_ms), correlated(3.0 + apart_ms))

    assert found[0, 1] == pytest.approx(known)
    assert found[1, 0] == pytest.approx(known)


@pytest.mark.parametrize(("n_hits", "quantile"), [(4, 3.182), (6, 2.571), (16, 2.131), (61, 2.000)])
def test_few_hits_have_the_wider_range_of_students_table(n_hits: int, quantile: float) -> None:
    """Two-sided 95 % (Student, 1908; any table of t): 3, 5, 15 and 60 degrees of freedom, against 1.960."""
    assert from_hits._of_few(n_hits) == pytest.approx(quantile / 1.960, rel=1e-3)


@pytest.mark.parametrize(
    ("late_ms", "elsewhere"),
    [
        # By another way from track to track: another source is heard first.
        ((0.0, 3.0, -1.0, 1.5), True),
        # The home alone is off: it hears the drum's other side.
        ((0.0, 1.7, 1.6, 1.8), False),
        ((0.0, 0.1, -0.1, 0.0), False),
    ],
)
def test_what_is_heard_first_is_another_source(late_ms: tuple[float, ...], elsewhere: bool) -> None:
    """Told by ways that differ from track to track, not by what the home alone adds (by reasoning)."""
    base = picked(0.0, 0.0)
    n, ones = len(late_ms), np.ones(len(late_ms))
    arrivals = replace(
        base,
        arrival_s=np.array(late_ms) * 1e-3,
        spread_s=0.0 * ones,
        stability=ones,
        coherence=ones,
        snr_db=40.0 * ones,
        at_edge=np.zeros(n, dtype=bool),
    )
    pair = np.ones((n, n))
    direct = DirectTimes(offset_s=0.0 * pair, std_s=0.0 * pair, agreed=pair, sign=pair, longer=pair)
    assert from_hits._elsewhere(arrivals, direct, 0) is elsewhere


def test_two_sources_decide_by_correlation_and_one_does_not() -> None:
    """One source may correlate half a period off on a track; two seldom do alike (by reasoning)."""
    tracks = 6
    apart = 1.0 - np.eye(tracks)
    direct = DirectTimes(
        offset_s=0.0 * apart, std_s=0.0 * apart, agreed=apart, sign=-apart, longer=0.0 * apart
    )
    odds = from_hits._odds_of_correlation(direct)
    assert np.all(odds[apart > 0] < 0.0)

    # One track against the rest.
    signs = np.array([-1.0, 1, 1, 1, 1, 1])
    turned = np.abs(odds) * np.outer(signs, signs)
    assert np.abs(agree([turned], [0]).margin[0, 1:]).max() < DECIDE_MARGIN
    assert agree([turned, turned], [0, 1]).margin[0, 1:].max() <= -DECIDE_MARGIN

    few = from_hits._odds_of_correlation(replace(direct, agreed=0.6 * apart))
    assert not few.any()
