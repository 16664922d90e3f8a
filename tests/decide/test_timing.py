"""The offset of a pair: which source's, by which reading, and how sure."""

from dataclasses import replace

import numpy as np
import pytest

from polaritykit.decide import timing
from polaritykit.evidence.other_arrival import with_other
from polaritykit.evidence.source import EDGE_CAP, SourceEvidence
from polaritykit.struck.direct_correlation import DirectTimes


@pytest.mark.parametrize("right", [9.0, 4.0, 2.9, 1.5, 0.0])
def test_the_plus_minus_holds_95_in_100(right: float) -> None:
    """Errors drawn as supposed lie within twice the ± as often as normal ones do (Monte Carlo, 95.4 %)."""
    rng = np.random.default_rng(1)
    std_s, n = 0.04e-3, 400_000
    wrong = rng.random(n) < 1 / (1 + np.exp(right))
    error = rng.standard_normal(n) * np.where(wrong, timing._OTHER_MS * 1e-3, std_s)
    told = with_other(std_s, right, timing._OTHER_MS * 1e-3)
    assert np.mean(np.abs(error) <= 2 * told) == pytest.approx(0.9545, abs=0.002)


def test_a_reading_without_rival_has_its_own_spread() -> None:
    """Nothing is added where no other arrival is to be feared."""
    assert with_other(0.04e-3, 30.0, timing._OTHER_MS * 1e-3) == pytest.approx(0.04e-3, rel=1e-3)


@pytest.mark.parametrize("error_ms", [0.004, 0.02, 0.05])
def test_two_readings_of_one_arrival_tell_their_own_error(error_ms: float) -> None:
    """The difference of two independent errors has the variance of both (arithmetic): half is either's.

    Errors of both readings are drawn; however large they are, some three quarters lie within the ±.
    """
    rng = np.random.default_rng(1)
    inside = []
    for _ in range(400):
        first, other = 1e-3 * error_ms * rng.standard_normal(2)
        read = timing.by_arrival(timed(first, other, error_ms * 1e-3), 0, 1)
        assert read is not None
        inside.append(abs(read.offset_s) <= read.std_s)
    assert 0.6 <= np.mean(inside) <= 0.93


def timed(first_s: float, correlated_s: float, std_s: float) -> SourceEvidence:
    """One struck source that two tracks hear at once, as a first arrival and a correlation tell it."""
    pair = np.ones((2, 2)) - np.eye(2)
    turned = np.triu(pair) - np.tril(pair)
    return SourceEvidence(
        kind="hits",
        home=0,
        n_used=16,
        n_found=16,
        at_samples=np.arange(16),
        offset_s=first_s * turned,
        std_s=1e-5 * pair,
        known=pair > 0,
        log_odds=EDGE_CAP * pair,
        level_db=np.zeros(2),
        obstacle=("", ""),
        direct=DirectTimes(
            offset_s=correlated_s * turned, std_s=std_s * pair, agreed=pair, sign=pair, longer=0.0 * pair
        ),
    )


def test_a_sure_correlation_stands_in_for_an_arrival_that_is_not_sharp() -> None:
    """A first arrival goes before; a low drum is known to a longer period's tenth (by reasoning)."""
    source = timed(1e-3, 2e-3, 0.02e-3)
    offset_s, known = timing.sharp_offsets(source)
    assert offset_s[0, 1] == 1e-3
    scattered = replace(source, std_s=1e-3 * source.known)
    offset_s, known = timing.sharp_offsets(scattered)
    assert known[0, 1]
    assert not known[0, 0]
    assert offset_s[0, 1] == -offset_s[1, 0] == 2e-3
    assert source.direct is not None
    for longer, counts in ((0.0, False), (1.0, True)):
        direct = replace(source.direct, std_s=0.4e-3 * source.known, longer=longer * source.known)
        assert timing.sharp_offsets(replace(scattered, direct=direct))[1][0, 1] == counts
    unsure = replace(source.direct, agreed=0.7 * source.known)
    assert not timing.sharp_offsets(replace(scattered, direct=unsure))[1].any()
