"""README and DEVELOPERS.md name all there is: options, exit codes, plan keys, fields, modules, packages."""

import ast
import doctest
import importlib.util
import json
import re
import tomllib

import click
import numpy as np
import pytest
import soundfile
from places import PACKAGE, ROOT

import polaritykit
from polaritykit.cli import COMMANDS, main
from polaritykit.jobs.check.document import build_document

README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


def commands():
    """Every command and its name as typed; groups with their parts."""
    for name in COMMANDS:
        if importlib.util.find_spec(f"polaritykit.commands.{name}") is None:
            continue  # said below, once
        command = importlib.import_module(f"polaritykit.commands.{name}").command
        yield name, command
        if isinstance(command, click.Group):
            yield from ((f"{name} {part}", sub) for part, sub in command.commands.items())


def section_of(name):
    """Return the README's section on one command."""
    sections = re.split(r"^### ", README, flags=re.MULTILINE)
    return next(text for text in sections if re.match(rf"`polaritykit {name}[ `]", text))


ALL = dict(commands())


def test_every_command_of_the_help_is_there():
    """None is promised and missing."""
    assert {name.split()[0] for name in ALL} == set(COMMANDS)


@pytest.mark.parametrize("name", ALL)
def test_every_option_is_in_the_command_s_section(name):
    """A new option without a word in the README fails here."""
    text = section_of(name.split()[0])
    options = [
        option
        for parameter in ALL[name].params
        if isinstance(parameter, click.Option)
        for option in parameter.opts
        if option.startswith("--") and option != "--help"
    ]

    assert [option for option in options if f"`{option}" not in text] == []


@pytest.mark.parametrize("name", ALL)
def test_no_option_of_the_readme_is_missing_from_the_program(name):
    """Nor the other way round: the README promises nothing that is not there."""
    if isinstance(ALL[name], click.Group):
        return
    known = {
        option
        for other, command in ALL.items()
        if other.split()[0] == name.split()[0]
        for parameter in command.params
        for option in parameter.opts
    } | {"--help", "--version"}
    rows = [line for line in section_of(name.split()[0]).splitlines() if line.startswith("| `")]
    promised = {option for row in rows for option in re.findall(r"`(--[a-z-]+)", row)}

    assert promised - known == set()


@pytest.mark.parametrize(
    "name", [name for name, command in ALL.items() if not isinstance(command, click.Group)]
)
def test_every_option_has_help(name):
    """`--help` says what each option does, or its choices do."""
    silent = [
        parameter.name
        for parameter in ALL[name].params
        if isinstance(parameter, click.Option)
        and not parameter.help
        and not isinstance(parameter.type, click.Choice)
    ]

    assert silent == []
    assert ALL[name].help


@pytest.mark.parametrize("code", [0, 1, 2, 3, 4, 130, 143])
def test_every_exit_code_is_in_the_table(code):
    """One row each."""
    assert re.search(rf"^\| {code} \| \w", README, flags=re.MULTILINE)


def test_examples_of_the_readme_are_true():
    """The sign convention as a number, among others."""
    result = doctest.testfile(str(ROOT / "README.md"), module_relative=False)

    assert result.failed == 0
    assert result.attempted >= 5


def test_test_command_is_where_ci_looks_for_it():
    """One fenced command after the mark, as `.ci/run` extracts it."""
    block = re.search(r"<!-- test-command -->\n```sh\n(.+)\n```", README)

    assert block is not None
    assert "pip install" in block[1]
    assert block[1].endswith("python -m pytest")


def test_links_and_pictures_of_the_readme_exist():
    """Nothing points nowhere."""
    for target in re.findall(r"\]\(([^)#]+)\)", README):
        assert (ROOT / target).is_file(), target
    for name in re.findall(r"`((?:demo_audio|tests|polaritykit)/[\w./]+)`", README + DEVELOPERS):
        assert (ROOT / name).exists(), name


def test_every_room_is_in_the_layout_table():
    """A reader finds what each folder is for, and none that is gone."""
    table = DEVELOPERS[DEVELOPERS.index("| room |") : DEVELOPERS.index("The allowed arrows")]
    rooms = {
        name for row in table.splitlines()[2:] if row for name in re.findall(r"`([\w/]+)`", row.split("|")[1])
    }
    folders = {path.parent.relative_to(PACKAGE).as_posix() for path in PACKAGE.rglob("__init__.py")}

    assert rooms == folders - {".", "jobs"} | {"analysis"}


def test_every_module_says_what_it_is_for():
    """Each opens with a docstring."""
    paths = list(PACKAGE.rglob("*.py"))

    assert len(paths) > 100
    assert [
        path.name for path in paths if not ast.get_docstring(ast.parse(path.read_text(encoding="utf-8")))
    ] == []


def test_every_dependency_has_a_reason():
    """Run-time and development ones, and no others."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    wanted = [*project["dependencies"], *project["optional-dependencies"]["dev"]]
    table = DEVELOPERS[DEVELOPERS.index("## Dependencies") : DEVELOPERS.index("## Checks")]
    names = {re.match(r"[\w-]+", entry)[0] for entry in wanted}
    listed = {name for row in table.splitlines()[4:] if row.startswith("|") for name in _packages(row)}

    assert listed == names


def _packages(row):
    return re.findall(r"[a-z][\w-]+", row.split("|")[1].replace("*dev:*", ""))


def test_version_and_change_log_go_together():
    """The newest entry is this version's."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    changes = README[README.index("## Changes") :]

    assert re.search(r"^### (\S+)", changes, flags=re.MULTILINE)[1] == polaritykit.__version__
    assert project["version"] == polaritykit.__version__


def test_every_plan_key_is_in_the_readme():
    """Keys that the plan reader asks for, read from its source."""
    source = (PACKAGE / "jobs" / "layout" / "plan_file.py").read_text(encoding="utf-8")
    keys = set(
        re.findall(
            r"\.(?:text|number|needed_number|vector|names|choice|raw|table|tables|has)\(\s*\"(\w+)\"", source
        )
    )
    text = section_of("layout")

    assert len(keys) > 25
    assert {key for key in keys if not re.search(rf"[`.\[]{key}[`\]]", text)} == set()


# Every field of every document is named in DEVELOPERS.md.


def fields_of(value):
    """Names of all fields, but not names of tracks used as keys, nor the settings (they name themselves)."""
    if isinstance(value, list):
        return {name for item in value for name in fields_of(item)}
    if not isinstance(value, dict):
        return set()
    inside = {
        name
        for key, item in value.items()
        if key != "settings" and not (key == "tracks" and isinstance(item, dict))
        for name in fields_of(item)
    }
    return set(value) | inside


def unnamed(document):
    """Fields that DEVELOPERS.md does not name as a word."""
    words = set(re.findall(r"\w+", DEVELOPERS))
    return sorted(fields_of(document) - words)


def printed(capsys, *arguments):
    """Document that a command prints with --json."""
    with pytest.raises(SystemExit) as stopped:
        main([*(str(argument) for argument in arguments), "--json"])
    assert stopped.value.code == 0
    return json.loads(capsys.readouterr().out)


def test_fields_of_a_check():
    """Drums, so that hits, sources, loops and the rest are there."""
    session = polaritykit.open_session([ROOT / "demo_audio" / "drum_kit"])

    assert unnamed(build_document(polaritykit.analyse(session.recording), session)) == []


def test_fields_of_the_smaller_jobs(capsys, tmp_path):
    """Pair, bleed, comb, layout and pulse read."""
    demo = ROOT / "demo_audio"
    pair = printed(capsys, "pair", demo / "stereo_pair/pair_left.flac", demo / "stereo_pair/pair_right.flac")
    bleed = printed(capsys, "bleed", demo / "leaky_vocal/01_voice.flac", demo / "leaky_vocal/02_guitar.flac")
    layout = printed(capsys, "layout", PACKAGE / "jobs" / "layout" / "templates" / "kit.toml")
    comb = printed(capsys, "comb", "--delay", "1 ms")
    signal = tmp_path / "noise.wav"
    soundfile.write(signal, 0.1 * np.random.default_rng(1).standard_normal(48_000), 48_000)
    pulse = printed(capsys, "pulse", "read", signal)

    for document in (pair, bleed, layout, comb, pulse):
        assert unnamed(document) == []


def test_fields_of_a_recheck(capsys, tmp_path):
    """Two reports of one pair of tracks, the second with one track turned and late."""
    noise = 0.1 * np.random.default_rng(2).standard_normal(96_480)
    for name, other in (("old", noise[:-480]), ("new", -noise[240:-240])):
        findings = polaritykit.analyse_arrays({"a": noise[480:], "b": other}, sample_rate_hz=48_000)
        (tmp_path / f"{name}.json").write_text(json.dumps(build_document(findings)), encoding="utf-8")
    recheck = printed(capsys, "recheck", tmp_path / "old.json", tmp_path / "new.json")

    assert recheck["pairs"]
    assert unnamed(recheck) == []
