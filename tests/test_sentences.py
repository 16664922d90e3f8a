"""What the program says of ten sessions: no sentence holds what nobody would say."""

import re

import pytest
from said_sessions import documents
from sentences import FAULTS, faults_of, sentences_of


@pytest.fixture(scope="module")
def said():
    """All sentences, with the session they are from."""
    return {sentence: name for name, document in documents() for sentence in sentences_of(document)}


def test_sentences_are_plain(said):
    """Keys, hyphens for minus, empty uncertainties, wrong plurals: a list of what is wrong."""
    wrong = {sentence: (name, faults_of(sentence)) for sentence, name in said.items() if faults_of(sentence)}

    assert len(said) > 60
    assert wrong == {}


def test_sentences_are_short(said):
    """Under time pressure nobody reads more than fifty words at once (common practice, no source)."""
    long = {
        clause: name
        for sentence, name in said.items()
        for clause in re.split(r"(?<=[.;:])\s", sentence)
        if len(clause.split()) > 50
    }

    assert long == {}


@pytest.mark.parametrize(
    "sentence",
    [
        "flip for dc_offset",
        "a level of -3.2 dB",
        "late by −0.0 ms",
        "late by 1.2 ± 0.0 ms",
        "1 tracks changed.",
        "in 3 pair of 4",
        "hears its own source late",
        "wrong .. here",
        "gains None dB",
    ],
)
def test_each_fault_is_seen(sentence):
    """The check above can fail."""
    assert faults_of(sentence)


def test_good_sentences_pass():
    """One of each kind that might be mistaken."""
    for sentence in (
        "−0.05 ms",
        "0.1 to 0.2 ms",
        "± 0.01 ms",
        "1 track",
        "11 tracks",
        "a 10-track kit",
        "3:1",
    ):
        assert faults_of(sentence) == []
    assert len(FAULTS) == 9
