"""A pair shows the session's setting: against the sum of two delayed copies, |1 ± e^(−j2πfτ)|²."""

import numpy as np
import pytest

from polaritykit.decide.conclusion import Conclusion
from polaritykit.decide.findings import Advice, PairSource, Rather, TrackCorrection
from polaritykit.decide.pair_setting import session_advice
from polaritykit.spectra.records import PairSpectra

#: One tone's worth of band, b late by 1 ms.
FREQUENCY = np.linspace(240.0, 260.0, 41)
SPECTRA = PairSpectra(
    frequency_hz=FREQUENCY,
    auto_a=np.ones(41),
    auto_b=np.ones(41),
    cross=np.exp(-2j * np.pi * FREQUENCY * 1e-3),
)


def track(name, *, invert=False, shift_ms=0.0):
    """Set one track."""
    return TrackCorrection(
        name=name,
        invert=invert,
        delay_ms=shift_ms,
        delay_samples=0.0,
        late_ms=0.0,
        shift_ms=shift_ms,
    )


def conclusion():
    """Tell that b is late by 1 ms."""
    source = PairSource(
        home="a",
        kind="hits",
        hits=20,
        offset_ms=1.0,
        offset_std_ms=0.01,
        offset_kind="first_arrival",
        polarity="same",
        confidence=0.98,
        level_db=0.0,
        level_difference_db=0.0,
        dissents=False,
        band_hz=(240.0, 260.0),
        sum_effect_db=0.0,
        sum_effect_aligned_db=0.0,
    )
    return Conclusion(
        related=True,
        relation="acoustic",
        offset_s=1e-3,
        std_s=1e-5,
        offset_kind="first_arrival",
        polarity="same",
        confidence=0.98,
        strong=True,
        main=source,
        sources=(source,),
        cause=None,
    )


ALONE = Advice(action="delay", invert=False, delay_ms=1.0, gain_db=3.0, reason="late")


@pytest.mark.parametrize(
    ("shift_ms", "invert"), [(0.0, False), (1.0, False), (2.0, True), (0.0, True), (-0.4, False)]
)
def test_a_pair_shows_what_the_session_does_to_it(shift_ms, invert):
    """A later by d: the sum is 1 ± cos 2πf(1 ms − d) against 1 + cos 2πf·1 ms."""
    found = session_advice(
        conclusion(),
        ALONE,
        track("a", shift_ms=shift_ms),
        track("b", invert=invert),
        spectra=SPECTRA,
    )
    sign = -1 if invert else 1
    left = 1e-3 * (1.0 - shift_ms)
    levels = [1 + s * np.cos(2 * np.pi * FREQUENCY * t).mean() for s, t in ((sign, left), (1, 1e-3))]

    assert found.shift_ms == -shift_ms
    assert found.delay_ms == abs(shift_ms)
    assert found.invert == invert
    assert found.gain_db == pytest.approx(10 * np.log10(levels[0] / levels[1]), abs=1e-6)


def test_a_pair_that_would_rather_have_another_setting_says_so():
    """Left as it is by the session, though by itself it would gain 3 dB; and not where the two agree."""
    tracks = track("a"), track("b")
    left = session_advice(conclusion(), ALONE, *tracks, spectra=SPECTRA)
    set_alike = session_advice(conclusion(), ALONE, track("a", shift_ms=1.0), track("b"), spectra=SPECTRA)

    assert (left.action, left.invert, left.delay_ms) == ("leave", False, 0.0)
    assert left.reason == "session"
    assert left.rather == Rather(invert=False, shift_ms=-1.0, gain_db=3.0)
    assert (set_alike.rather, set_alike.reason) == (None, ALONE.reason)
