"""What a caller may change: how much it is, that all of it is read, and that a report says what was used."""

import ast
from dataclasses import asdict, fields, is_dataclass, replace

import numpy as np
import pytest
from places import PACKAGE
from settings_count import counts, settings_of

from polaritykit.analysis import Settings, analyse
from polaritykit.audio.array_recording import ArrayRecording
from polaritykit.jobs.check.document import build_document
from polaritykit.levels.settings import LevelSettings

RATE = 48_000
#: Most settings of each package.  A number that nobody varies stands beside its formula: a setting more needs
#: a caller, a test or a benchmark that gives it another value, and this line.
MOST = {
    "evidence": 3,
    "jobs/check": 8,
    "levels": 2,
}


def test_settings_do_not_grow_unseen():
    """By package; one without any limit has none."""
    found = counts(PACKAGE)

    assert {package: number for package, number in found.items() if number > MOST.get(package, 0)} == {}


def reads(node):
    """Names that are read off settings: ``settings.name``, ``self._settings.name``, ``XSettings().name``."""
    for part in ast.walk(node):
        if isinstance(part, ast.Attribute):
            owner = part.value.func if isinstance(part.value, ast.Call) else part.value
            last = ast.unparse(owner).rpartition(".")[2].lower()
            if last.endswith("settings") or last == "_defaults":
                yield part.attr


def test_every_setting_is_read_somewhere():
    """One that is given and goes nowhere is worse than none."""
    read = {
        name for path in PACKAGE.rglob("*.py") for name in reads(ast.parse(path.read_text(encoding="utf-8")))
    }

    assert {setting.name for setting in settings_of(PACKAGE)} - read == set()


def test_the_check_above_sees_a_setting_that_goes_nowhere():
    """A field of that name elsewhere does not count."""
    read = set(reads(ast.parse("a = settings.here\nb = other.there\nc = BoxSettings().near")))

    assert read == {"here", "near"}


def takes(lag=96, level=0.05):
    """Noise on two tracks, the second one later; the white noise of each its own."""
    rng = np.random.default_rng(1)
    sound = rng.standard_normal(4 * RATE)
    own = 0.05 * rng.standard_normal((2, 4 * RATE))
    return ArrayRecording({"a": level * (sound + own[0]), "b": level * (np.roll(sound, lag) + own[1])}, RATE)


def other(settings):
    """Give every number of the settings another value, branches included."""
    changed = {}
    for field in fields(settings):
        value = getattr(settings, field.name)
        if is_dataclass(value):
            changed[field.name] = other(value)
        else:
            changed[field.name] = 2.5 if value is None else type(value)(value * 1.5 + 1)
    return replace(settings, **changed)


def test_the_report_says_every_setting_that_was_given():
    """Each as given and none as it is by default."""
    given = other(Settings())
    told = build_document(analyse(takes(), settings=given))["settings"]
    plain = asdict(Settings())

    assert told == asdict(given)
    assert all(told[name] != plain[name] for name in plain)
    assert all(told["levels"][name] != value for name, value in plain["levels"].items())


@pytest.mark.parametrize(("limit_dbtp", "over"), [(0.05, False), (-30.0, True)])
def test_the_peak_limit_reaches_fault_remark_and_advice(limit_dbtp, over):
    """A peak of about -10 dBFS, under one limit and over the other."""
    recording = takes(level=0.075)
    assert -14 < 20 * np.log10(np.abs(recording.read(0, 4 * RATE)).max()) < -7
    limited = Settings(levels=LevelSettings(true_peak_limit_dbtp=limit_dbtp))
    document = build_document(analyse(recording, settings=limited))

    assert ("true_peak_over" in document["tracks"][0]["faults"]) is over
    assert ("True peak" in " ".join(document["tracks"][0]["remarks"])) is over
    assert ("Too loud" in " ".join(document["levels_advice"])) is over


def said_of_levels(settings):
    """Remarks on the first track and advice for the session, at a peak of about -10 dBFS."""
    document = build_document(analyse(takes(level=0.075), settings=settings))
    return " ".join(document["tracks"][0]["remarks"]), " ".join(document["levels_advice"])


def test_headroom_wanted_reaches_the_remark_and_the_advice():
    """Both places that speak of it."""
    little, much = (
        said_of_levels(Settings(levels=LevelSettings(headroom_wanted_db=wanted))) for wanted in (3.0, 20.0)
    )

    assert ["headroom" in remarks for remarks, _ in (little, much)] == [False, True]
    assert ["Less than 20 dB" in advice for _, advice in (little, much)] == [False, True]


@pytest.mark.parametrize(("search_ms", "found"), [(40.0, True), (1.0, False)])
def test_an_offset_beyond_the_search_is_not_found(search_ms, found):
    """2 ms apart: in frames, and in the test of the whole take that reaches a quarter further."""
    pair = analyse(takes(lag=96), settings=Settings(search_ms=search_ms)).pairs[0]

    assert (pair.offset_ms is not None) is found


@pytest.mark.parametrize(("latency_ms", "believed"), [(1.0, False), (2.5, True)])
def test_latency_granted_to_a_plan_reaches_the_limits(latency_ms, believed):
    """2 ms where the plan has none: possible with converters that differ by so much."""
    findings = analyse(
        takes(lag=96),
        settings=Settings(plan_latency_ms=latency_ms),
        offset_limits={("a", "b"): (-0.1, 0.1)},
    )

    assert (findings.pairs[0].offset_ms is not None) is believed
