"""Conclusions on one pair: whose offset speaks, and when none may."""

from dataclasses import replace

import numpy as np
import pytest

from polaritykit.decide.agreement import Agreement, agree
from polaritykit.decide.conclusion import Conclusion, conclude, contradicted_tracks
from polaritykit.decide.findings import PairCause
from polaritykit.decide.pair_evidence import AllEvidence, PairEvidence
from polaritykit.evidence.source import EDGE_CAP, SourceEvidence
from polaritykit.evidence.weigh import weighed
from polaritykit.spectra.pool import SpectrumPool
from polaritykit.struck.direct_correlation import DirectTimes

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


def agreed(*evidence: SourceEvidence) -> Agreement:
    """Let all sources agree."""
    odds, homes = [item.log_odds for item in evidence], [item.home for item in evidence]
    return agree(odds, homes)


def concluded(*evidence: SourceEvidence, contradicted: frozenset[int] = frozenset()) -> Conclusion:
    """Conclude on the one pair there is."""
    pool = SpectrumPool(3, RATE, 1024)
    pool.update(np.random.default_rng(1).standard_normal((3, RATE)).astype(np.float32))
    return conclude(
        PairEvidence(evidence=AllEvidence(sources=evidence), a=0, b=1),
        agreed(*evidence) if evidence else None,
        names=NAMES,
        spectra=pool.result(),
        contradicted=contradicted,
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
        assert found.cause == PairCause(code="own_source_objects")


def test_noise_alone_covers_nothing():
    """A source that one of the tracks does not hear has no level there that could be compared."""
    elsewhere = heard(0, (20.0, 10.0), obstacle="noise", offset_ms=0.0, odds=0.0)
    faint = heard(1, (-14.0, -14.0), obstacle="", offset_ms=2.0, odds=4.0)
    assert concluded(elsewhere, faint).offset_s == pytest.approx(2e-3)


def test_the_objection_of_a_loud_own_source_marks_its_track():
    """A drum loud in both speaks against an agreed sign that only leaks support; none where it agrees."""
    leaks = [heard(home, (-20.0, -20.0), obstacle="", offset_ms=2.0, odds=-4.0) for home in (1, 2)]
    drum = heard(0, (0.0, 0.0), obstacle="", offset_ms=1.0, odds=1.4)
    alike = heard(0, (0.0, 0.0), obstacle="", offset_ms=1.0, odds=-1.4)

    assert contradicted_tracks(AllEvidence(sources=(drum, *leaks)), agreed(drum, *leaks)) == {0}
    assert contradicted_tracks(AllEvidence(sources=(alike, *leaks)), agreed(alike, *leaks)) == frozenset()
    assert contradicted_tracks(AllEvidence(sources=()), None) == frozenset()


def test_leaks_are_not_believed_at_a_contradicted_track():
    """Not even in a pair in which nobody objects; a loud source that supports the sign is believed."""
    loud = heard(0, (0.0, 0.0), obstacle="scatter", offset_ms=0.0, odds=0.0)
    leak = heard(1, (-20.0, -20.0), obstacle="", offset_ms=2.0, odds=-6.0)
    own = heard(0, (0.0, 0.0), obstacle="", offset_ms=1.0, odds=-6.0)

    assert concluded(loud, leak).polarity == "inverted"
    doubted = concluded(loud, leak, contradicted=frozenset({1}))
    assert (doubted.polarity, doubted.confidence) == ("unclear", pytest.approx(0.5))
    assert doubted.cause == PairCause(code="own_source_objects")
    assert concluded(own, leak, contradicted=frozenset({1})).polarity == "inverted"
    assert concluded(loud, leak, contradicted=frozenset({2})).polarity == "inverted"


@pytest.mark.parametrize(
    ("obstacle", "relation", "code"),
    [
        ("crosstalk", "crosstalk", "crosstalk"),
        ("mains", "hum", "hum"),
        ("scatter", None, "unsteady"),
        ("noise", None, "no_shared_sound"),
    ],
)
def test_why_hits_relate_no_tracks(obstacle, relation, code):
    """Each obstacle of a source's hits is told as what it is."""
    found = concluded(heard(0, (0.0, 0.0), obstacle=obstacle, offset_ms=0.0, odds=0.0))

    assert (found.related, found.relation, found.polarity) == (False, relation, "unclear")
    assert found.cause == PairCause(code=code)


def test_nothing_found_at_all():
    """Said, too."""
    assert concluded().cause == PairCause(code="nothing_to_compare")


@pytest.mark.parametrize(("hits", "code"), [(16, "unlike"), (7, "few_hits")])
def test_why_hits_leave_the_sign_open(hits, code):
    """Timed well, yet without a sign; fewer hits than eight are the reason where there are so few."""
    timed = replace(heard(0, (0.0, 0.0), obstacle="", offset_ms=1.0, odds=0.9), n_used=hits)
    found = concluded(timed)

    assert (found.related, found.polarity) == (True, "unclear")
    assert found.cause == PairCause(code=code)


def test_two_sources_that_disagree_are_named():
    """Equally loud, equally sure, opposite: nobody could know."""
    one = heard(0, (0.0, 0.0), obstacle="", offset_ms=1.0, odds=4.0)
    two = heard(1, (0.0, 0.0), obstacle="", offset_ms=2.0, odds=-4.0)
    found = concluded(one, two)

    assert found.polarity == "unclear"
    assert found.cause == PairCause(code="sources_disagree", home="near", against="far")


def test_the_lowest_of_several_drums_decides_no_pair_alone() -> None:
    """Common practice, no source: a bass drum has opposite signs on its two sides, and one side is heard.

    Alone in the session it is all there is to go by; beside another drum it waits for that one.
    """
    low = replace(
        heard(0, (0.0, -6.0), obstacle="", offset_ms=1.0, odds=-EDGE_CAP),
        lowness_db=12.0,
    )
    other = heard(2, (-90.0, -90.0), obstacle="noise", offset_ms=0.0, odds=0.0)
    agreeing = heard(1, (-6.0, 0.0), obstacle="", offset_ms=1.0, odds=-EDGE_CAP)

    assert concluded(*weighed((low,))).polarity == "inverted"
    assert concluded(*weighed((low, other))).polarity == "unclear"
    assert concluded(*weighed((low, agreeing))).polarity == "inverted"


@pytest.mark.parametrize(("agreed_share", "related"), [(1.0, True), (0.6, False)])
def test_a_sound_that_surely_correlates_is_shared_though_its_sign_stays_open(agreed_share, related):
    """No first arrival is known, and all readings of the direct sound lie together, or only some.

    Readings of what two tracks do not share fall anywhere within the search: 0.3 ms of 50 each (arithmetic).
    """
    pair = np.ones((3, 3)) - np.eye(3)
    blurred = heard(0, (0.0, 0.0), obstacle="scatter", offset_ms=9.0, odds=0.0)
    direct = DirectTimes(
        offset_s=2e-3 * (np.triu(pair) - np.tril(pair)),
        std_s=2e-5 * pair,
        agreed=agreed_share * pair,
        sign=pair,
        longer=0.0 * pair,
    )
    found = concluded(replace(blurred, direct=direct))
    assert found.related == related
    assert found.polarity == "unclear"
    assert found.cause is not None
    if related:
        assert found.offset_s == pytest.approx(2e-3)
        assert found.offset_kind == "direct_correlation"
