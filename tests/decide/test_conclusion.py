"""Conclusions on one pair: whose offset speaks, and when none may."""

import numpy as np
import pytest

from polaritykit.decide.agreement import agree
from polaritykit.decide.conclusion import Conclusion, conclude
from polaritykit.decide.settings import AgreementSettings, PairSettings
from polaritykit.evidence.source import SourceEvidence
from polaritykit.spectra.pool import SpectrumPool

RATE = 48_000
NAMES = ("near", "far", "third")


def heard(
    home: int, levels_db: tuple[float, float], *, obstacle: str, offset_ms: float, odds: float
) -> SourceEvidence:
    """One struck source on the first two tracks; an obstacle means that its offset is not known."""
    # The third track hears nothing and lends a home.
    pair = np.zeros((3, 3))
    pair[0, 1] = pair[1, 0] = 1.0
    return SourceEvidence(
        kind="hits",
        home=home,
        n_used=16,
        n_found=16,
        at_samples=np.arange(16),
        offset_s=offset_ms * 1e-3 * (np.triu(pair) - np.tril(pair)),
        std_s=1e-5 * pair,
        known=(pair > 0) & (not obstacle),
        log_odds=odds * pair,
        level_db=np.array([*levels_db, -90.0]),
        obstacle=("", obstacle, "noise"),
        lowness_db=0.0,
    )


def concluded(*evidence: SourceEvidence) -> Conclusion:
    """Conclude on the one pair there is."""
    pool = SpectrumPool(3, RATE, 1024)
    pool.update(np.random.default_rng(1).standard_normal((3, RATE)).astype(np.float32))
    signs = AgreementSettings()
    return conclude(
        0,
        1,
        evidence=evidence,
        agreement=agree([item.log_odds for item in evidence], [item.home for item in evidence], signs),
        names=NAMES,
        spectra=pool.result(),
        settings=PairSettings(),
        signs=signs,
    )


@pytest.mark.parametrize(("below_db", "answers"), [(6.0, True), (14.0, False)])
def test_a_faint_source_does_not_speak_for_a_pair(below_db, answers):
    """A cross-spectrum grows with the product of the two amplitudes (its definition).

    14 dB below in both, the timed source brings a twenty-fifth of what the untimed one brings.
    """
    loud = heard(0, (0.0, 0.0), obstacle="scatter", offset_ms=0.0, odds=4.0)
    faint = heard(1, (-below_db, -below_db), obstacle="", offset_ms=2.0, odds=4.0)
    found = concluded(loud, faint)
    assert found.related
    assert found.polarity == "same"
    assert (found.offset_s == pytest.approx(2e-3)) if answers else found.offset_s is None
    assert [source.offset_ms for source in found.sources if source.offset_ms is not None] == [
        pytest.approx(2.0)
    ]


def test_the_louder_of_two_timed_sources_speaks():
    """A quiet source never speaks for a pair while a louder one is known."""
    quiet = heard(0, (0.0, -20.0), obstacle="", offset_ms=1.0, odds=4.0)
    loud = heard(1, (-3.0, 0.0), obstacle="", offset_ms=3.0, odds=4.0)
    assert concluded(quiet, loud).offset_s == pytest.approx(3e-3)


@pytest.mark.parametrize(("below_db", "polarity"), [(3.0, "inverted"), (20.0, "unclear")])
def test_a_leak_does_not_outvote_the_loudest_source(below_db, polarity):
    """Two leaks against a drum that is 20 dB louder in both mics, and against one about as loud.

    Common practice, no source: a drum is heard with opposite signs on its two sides, its leaks too.
    """
    drum = heard(0, (0.0, 0.0), obstacle="", offset_ms=1.0, odds=1.4)
    leaks = [heard(home, (-below_db, -below_db), obstacle="", offset_ms=2.0, odds=-4.0) for home in (1, 2)]
    found = concluded(drum, *leaks)
    assert found.polarity == polarity
    if polarity == "unclear":
        assert found.confidence == pytest.approx(0.5)
        assert "own source" in (found.reason or "")


def test_noise_alone_covers_nothing():
    """A source that one of the tracks does not hear has no level there that could be compared."""
    elsewhere = heard(0, (20.0, 10.0), obstacle="noise", offset_ms=0.0, odds=0.0)
    faint = heard(1, (-14.0, -14.0), obstacle="", offset_ms=2.0, odds=4.0)
    assert concluded(elsewhere, faint).offset_s == pytest.approx(2e-3)
