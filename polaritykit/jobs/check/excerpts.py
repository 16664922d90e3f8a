"""Short excerpts of the pairs worth hearing, so that a setting can be heard before it is made.

Percussive pairs are heard around a typical hit of their main source (the one of median loudness), sustained
ones where both tracks are loud.  Pairs that need one moment of one track share the excerpt.

Conventions: samples are int16 at the session's rate, or at a whole part of it not above 48 kHz; ``gain``
brings them back to the level as recorded.  Start times are seconds of the session.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from polaritykit.audio.excerpt import Cutter, Sound
from polaritykit.base.spans import Span, common_span, spans_of
from polaritykit.base.types import Floats, Recording, Samples
from polaritykit.decide.findings import Findings, PairFinding, PairSource


@dataclass(frozen=True, kw_only=True)
class ExcerptSettings:
    """Excerpts for the page (`excerpts`)."""

    #: Long enough to judge a sound, short enough to keep many.
    length_s: float = 1.2
    #: Heard before a hit, so that the ear is not startled; and the part of a hit its loudness is taken from.
    before_s: float = 0.15
    hit_s: float = 0.08
    #: Fades at both ends: an excerpt repeats without a click.
    fade_s: float = 0.01
    #: Windows of a take that are looked at for a loud one.
    windows: int = 60
    #: Most base64 characters of all excerpts together: with 5 MB of page it still fits into a mail.
    most_characters: float = 4e6
    #: Highest rate that is kept: nothing above 24 kHz is heard.
    most_hz: int = 48_000
    #: Sustained sound: where both are most alike rather than loudest, to be looked at.
    agreeing: bool = False


_DEFAULTS = ExcerptSettings()
#: Offsets within this are of one arrival.
_ONE_ARRIVAL_MS = 0.1
#: To be looked at, not heard: one hit as both tracks record it, always in the page.  Any room that is judged
#: is late by less than what follows the hit; 12 kHz is a pixel at that length.
WAVES = ExcerptSettings(
    length_s=0.045, before_s=0.008, fade_s=0.0, most_characters=6e5, most_hz=24_000, agreeing=True
)


@dataclass(frozen=True, kw_only=True)
class PairSounds:
    """The two sounds of one pair, as places in `Excerpts.sounds`."""

    reference: str
    other: str
    #: What is heard, in words.
    around: str
    a: int
    b: int
    #: When the source is struck, seconds of the session; None where nothing is.
    hit_s: float | None = None


@dataclass(frozen=True, kw_only=True)
class Excerpts:
    """All excerpts of a session."""

    sample_rate_hz: int
    sounds: tuple[Sound, ...]
    pairs: tuple[PairSounds, ...]


def cut_excerpts(
    recording: Recording,
    findings: Findings,
    pairs: Sequence[PairFinding],
    settings: ExcerptSettings = _DEFAULTS,
) -> Excerpts:
    """Cut excerpts until the size limit is reached.

    Parameters
    ----------
    recording : Recording
    findings : Findings
        Of that recording.
    pairs : sequence of PairFinding
        The ones to hear, most wanted first.
    settings : ExcerptSettings

    Returns
    -------
    Excerpts
        Fewer pairs than asked for where all would take more than `most_characters`.
    """
    cutter = Cutter(recording, length_s=settings.length_s, fade_s=settings.fade_s, most_hz=settings.most_hz)
    moments = _Moments(recording, findings, settings)
    index = {name: number for number, name in enumerate(findings.track_names)}
    sounds: dict[tuple[str, float], int] = {}
    cut: list[Sound] = []
    kept: list[PairSounds] = []
    room = settings.most_characters
    for pair in pairs:
        start_s, around, hit_s = moments.of(pair, index)
        wanted = [(pair.reference, start_s), (pair.other, start_s)]
        new = [key for key in wanted if key not in sounds]
        room -= len(new) * cutter.characters
        if room < 0:
            break
        for key in new:
            sounds[key] = len(cut)
            cut.append(cutter.cut(index[key[0]], *key))
        kept.append(
            PairSounds(
                reference=pair.reference,
                other=pair.other,
                around=around,
                a=sounds[wanted[0]],
                b=sounds[wanted[1]],
                hit_s=hit_s,
            )
        )
    return Excerpts(sample_rate_hz=cutter.rate_hz, sounds=tuple(cut), pairs=tuple(kept))


class _Moments:
    """Finds where each pair is best heard."""

    def __init__(self, recording: Recording, findings: Findings, settings: ExcerptSettings) -> None:
        self._recording, self._findings, self._settings = recording, findings, settings
        self._of_source: dict[tuple[str, Span], float] = {}
        self._spans = spans_of(recording)
        self._loudness: tuple[Floats, Floats] | None = None
        self._windows: list[Samples] = []

    def of(self, pair: PairFinding, index: dict[str, int]) -> tuple[float, str, float | None]:
        """Start of the excerpt, what is heard, and when it is struck."""
        main = _struck(pair)
        if main is not None:
            hit_s = self._typical_hit(main.home, index[main.home], index[pair.reference], index[pair.other])
            if hit_s is not None:
                start = self._within(hit_s - self._settings.before_s)
                return start, f"a hit of {main.home} at {hit_s:.1f} s", hit_s
        if self._settings.agreeing:
            return self._agreeing(pair, index)
        starts, levels = self._loud()
        best = int(np.argmax(levels[:, index[pair.reference]] + levels[:, index[pair.other]]))
        return float(starts[best]), f"{starts[best]:.1f} s, where both are loud", None

    def _agreeing(self, pair: PairFinding, index: dict[str, int]) -> tuple[float, str, None]:
        """Moment at which the two are loud and most alike, the offset taken out: there an eye can follow."""
        starts, _ = self._loud()
        late = round((pair.offset_ms or 0.0) * 1e-3 * self._recording.sample_rate_hz)
        products = []
        for windows in self._windows:
            a, b = windows[index[pair.reference]], windows[index[pair.other]]
            a, b = (a[: len(a) - late], b[late:]) if late >= 0 else (a[-late:], b[: len(b) + late])
            products.append(abs(float(np.dot(a, b))) if len(a) else 0.0)
        best = int(np.argmax(products))
        return float(starts[best]), f"a moment at {starts[best]:.1f} s", None

    def _within(self, start_s: float) -> float:
        latest = self._recording.n_samples / self._recording.sample_rate_hz - self._settings.length_s
        return max(0.0, min(start_s, latest))

    def _typical_hit(self, home: str, *tracks: int) -> float | None:
        """Moment of a hit of middle strength where all of the tracks, the home's first, have sound."""
        rate = self._recording.sample_rate_hz
        track, span = tracks[0], common_span([self._spans[k] for k in tracks])
        times = [
            time
            for source in self._findings.sources
            if source.home == home
            for time in source.times_s
            if span[0] <= time * rate < span[1]
        ]
        if times and (home, span) not in self._of_source:
            length = round(self._settings.hit_s * rate)
            reads = [self._recording.read(round(t * rate), round(t * rate) + length, (track,)) for t in times]
            energy = np.array([float(np.sum(np.square(samples, dtype=np.float64))) for samples in reads])
            self._of_source[home, span] = times[int(np.argsort(energy)[len(times) // 2])]
        return self._of_source.get((home, span))

    def _loud(self) -> tuple[Floats, Floats]:
        """Take windows spread over the take: their starts, and the level of every track in each, dB."""
        if self._loudness is None:
            length_s, rate = self._settings.length_s, self._recording.sample_rate_hz
            latest = self._within(np.inf)
            starts = np.linspace(0.0, latest, max(1, min(self._settings.windows, int(latest / length_s) + 1)))
            levels = []
            self._windows = []
            for start in starts:
                first = round(float(start) * rate)
                samples = self._recording.read(first, first + round(length_s * rate))
                if self._settings.agreeing:
                    self._windows.append(samples)
                levels.append(10.0 * np.log10(np.mean(np.square(samples, dtype=np.float64), axis=1) + 1e-12))
            self._loudness = starts, np.array(levels)
        return self._loudness


def _struck(pair: PairFinding) -> PairSource | None:
    """Return the struck source that leads, or whose arrival was read in frames; None where none does."""
    for number, source in enumerate(pair.sources):
        if source.kind != "hits":
            continue
        one, its = source.offset_ms, pair.offset_ms
        same = one is not None and its is not None and abs(one - its) <= _ONE_ARRIVAL_MS
        if number == 0 or same:
            return source
    return None
