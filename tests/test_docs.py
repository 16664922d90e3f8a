"""README and DEVELOPERS.md name all there is: options, exit codes, plan keys, fields, modules, packages."""

import ast
import doctest
import importlib.util
import re
import shlex
import shutil
import tomllib

import click
import pytest
from places import DEMO_AUDIO, PACKAGE, ROOT

import polaritykit
from polaritykit.cli import COMMANDS, main

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
        if isinstance(parameter, click.Option) and not parameter.hidden  # deprecated: told under Changes
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


def blocks_of(kind):
    """Fenced blocks of the README in one language."""
    return re.findall(rf"^```{kind}\n(.*?)^```$", README, flags=re.MULTILINE | re.DOTALL)


def test_every_block_of_the_readme_is_run():
    """Blocks of another language, or none, would be run by nobody."""
    fences = re.findall(r"^```(.*)$", README, flags=re.MULTILINE)

    assert fences[1::2] == [""] * (len(fences) // 2)
    assert set(fences[::2]) == {"sh", "python"}


def test_python_blocks_run_as_they_stand(tmp_path, monkeypatch, capsys):
    """Those that are no doctest, where `my_session` is a session: one line per track."""
    shutil.copytree(DEMO_AUDIO / "stereo_pair", tmp_path / "my_session")
    monkeypatch.chdir(tmp_path)
    plain = [block for block in blocks_of("python") if ">>>" not in block]

    for block in plain:
        exec(compile(block, "README.md", "exec"), {})
    assert plain
    assert capsys.readouterr().out.splitlines() == ["pair_left False 0.0", "pair_right True 0.0"]


@pytest.mark.parametrize("block", blocks_of("sh"))
def test_shell_blocks_run(block, tmp_path, monkeypatch):
    """Commands of the program are run here; installing and testing is what `.ci/run` does."""
    (tmp_path / "demo_audio").symlink_to(DEMO_AUDIO)
    monkeypatch.chdir(tmp_path)
    for part in block.strip().split(" && "):
        if part.startswith(".venv/bin/polaritykit "):
            with pytest.raises(SystemExit) as stopped:
                main(shlex.split(part)[1:])
            assert stopped.value.code == 0
            assert (tmp_path / "drum_kit_report" / "report.html").is_file()
        else:
            assert re.match(r"python3 -m venv|\.venv/bin/pip install|\.venv/bin/python -m pytest$", part)


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


@pytest.mark.parametrize(
    "room",
    sorted(
        path.parent.relative_to(PACKAGE).as_posix()
        for path in PACKAGE.rglob("*/__init__.py")
        if path.parent.name not in ("base", "commands", "jobs")
    ),
)
def test_every_stage_and_job_explains_itself(room):
    """Its package docstring tells what it does, by which modules, and where it ends."""
    text = ast.get_docstring(ast.parse((PACKAGE / room / "__init__.py").read_text(encoding="utf-8"))) or ""
    modules = {path.stem for path in (PACKAGE / room).glob("*.py")}

    assert "\nLimits\n" in text
    assert modules & set(re.findall(r"`(\w+)`", text))


def undocumented(tree):
    """Public functions and methods of three or more parameters whose docstring does not list them."""
    for scope in [tree, *(node for node in tree.body if isinstance(node, ast.ClassDef))]:
        private_class = isinstance(scope, ast.ClassDef) and scope.name.startswith("_")
        for node in scope.body:
            if not isinstance(node, ast.FunctionDef) or node.name.startswith("_") or private_class:
                continue
            names = {argument.arg for argument in (*node.args.args, *node.args.kwonlyargs)} - {"self", "cls"}
            section = re.search(
                r"^Parameters\n-{10}\n(.*)", ast.get_docstring(node) or "", re.DOTALL | re.MULTILINE
            )
            told = {
                name.strip()
                for row in re.findall(r"^([\w, ]+) : ", section[1] if section else "", re.MULTILINE)
                for name in row.split(",")
            }
            if len(names) >= 3 and not names <= told:
                yield node.name


def test_functions_of_three_parameters_or_more_list_them():
    """Every parameter by name, in numpydoc's section; commands tell theirs to click."""
    found = {
        ".".join([*path.relative_to(PACKAGE).with_suffix("").parts, name])
        for path in PACKAGE.rglob("*.py")
        if path.parent.name != "commands"
        for name in undocumented(ast.parse(path.read_text(encoding="utf-8")))
    }

    assert found == set()


def test_a_parameter_left_out_is_seen():
    """The check above can fail."""
    told = (
        'def f(a, b, c):\n    """Do.\n\n    Parameters\n    ----------\n    a, b : int\n    {} : int\n    """'
    )

    assert list(undocumented(ast.parse(told.format("c")))) == []
    assert list(undocumented(ast.parse(told.format("d")))) == ["f"]


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
    folder = PACKAGE / "jobs" / "layout"
    source = "".join((folder / name).read_text(encoding="utf-8") for name in ("plan_file.py", "room.py"))
    keys = set(
        re.findall(
            r"\.(?:text|number|needed_number|vector|names|choice|raw|table|tables|has)\(\s*\"(\w+)\"", source
        )
    )
    text = section_of("layout")

    assert len(keys) > 25
    assert {key for key in keys if not re.search(rf"[`.\[]{key}[`\]]", text)} == set()


def test_every_claim_is_in_the_readme_and_held_by_what_is_there():
    """Quotes stand in the README, word for word; tests and benchmarks exist."""
    table = DEVELOPERS[DEVELOPERS.index("<!-- claims -->") : DEVELOPERS.index("<!-- /claims -->")]
    rows = [row.strip("| ").split(" | ") for row in table.splitlines()[3:]]
    words = " ".join(README.split())

    assert len(rows) > 50
    assert [quote for quote, _ in rows if quote not in words] == []
    assert [name for _, held in rows for name in re.findall(r"`([\w/.:]+)`", held) if not _held(name)] == []
    assert not _held("test_docs::test_that_is_not_there")


def _held(name):
    """Whether a test by ``path::name``, a benchmark, or a group of one is there."""
    path, _, test = name.partition("::")
    if test:
        file = ROOT / "tests" / f"{path}.py"
        return file.is_file() and f"def {test}(" in file.read_text(encoding="utf-8")
    return (ROOT / "tests" / path).is_file() or (ROOT / path).is_file()
