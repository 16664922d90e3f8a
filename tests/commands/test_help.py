"""Help fits a screen and shows a real example; what is mistyped is answered in one sentence."""

import importlib
import shlex

import click
import pytest
from places import DEMO_AUDIO

from polaritykit.cli import COMMANDS, main, root

ALL = [name for name in COMMANDS if name != "pulse"] + ["pulse make", "pulse read"]


def said(capsys, *arguments):
    """Exit code, standard output and standard error of a command line."""
    with pytest.raises(SystemExit) as stopped:
        main(list(arguments))
    return stopped.value.code, *capsys.readouterr()


def parameters_of(name):
    """Options that a command knows."""
    first, *rest = name.split()
    command = importlib.import_module(f"polaritykit.commands.{first}").command
    for part in rest:
        command = command.commands[part]
    return {text for parameter in command.params for text in (*parameter.opts, *parameter.secondary_opts)}


@pytest.mark.parametrize("name", ALL)
def test_help_fits_a_screen_and_shows_an_example(name, capsys, monkeypatch):
    """Fifty lines of a terminal 100 wide (common practice, no source); its options exist."""
    monkeypatch.setenv("COLUMNS", "100")
    code, out, _ = said(capsys, *name.split(), "--help")
    lines = out.splitlines()
    examples = [shlex.split(line) for line in lines if line.startswith(f"  polaritykit {name} ")]

    assert code == 0
    assert len(lines) <= 50
    assert max(map(len, lines)) <= 100
    assert examples
    known = parameters_of(name)
    for example in examples:
        assert {word for word in example if word.startswith("--")} <= known


@pytest.mark.parametrize(
    ("arguments", "expected"),
    [
        (["chek"], "polaritykit: no such command 'chek' (nearest: check); see polaritykit --help."),
        (["zzz"], "polaritykit: no such command 'zzz'; see polaritykit --help."),
        (
            ["check", "--audi", "kit"],
            "polaritykit check: no such option '--audi' (nearest: --audio); see polaritykit check --help.",
        ),
        (["check"], "polaritykit check: missing argument 'SESSION…'; see polaritykit check --help."),
        (
            ["pulse", "reed"],
            "polaritykit pulse: no such command 'reed' (nearest: read); see polaritykit pulse --help.",
        ),
    ],
)
def test_what_is_mistyped_is_answered_in_one_line(arguments, expected, capsys):
    """The nearest that there is, and where to look; the exit code of a usage error."""
    assert said(capsys, *arguments) == (2, "", f"{expected}\n")


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_shells_complete_commands_and_options(shell):
    """As the README says: click's own completion scripts, and what they ask for."""
    from click.shell_completion import get_completion_class

    kind = get_completion_class(shell)
    complete = kind(root, {}, "polaritykit", "_POLARITYKIT_COMPLETE")

    assert "_POLARITYKIT_COMPLETE" in complete.source()
    assert {item.value for item in complete.get_completions([], "")} == set(COMMANDS)
    assert "--anchor" in {item.value for item in complete.get_completions(["check"], "--a")}
    assert isinstance(root, click.Group)


def test_options_of_the_version_before_still_work(capsys, tmp_path):
    """They say on standard error what to use instead (the rule of DEVELOPERS.md)."""
    stereo = DEMO_AUDIO / "stereo_pair"
    left, right = (str(stereo / f"pair_{side}.flac") for side in ("left", "right"))
    code, _, told = said(capsys, "pair", left, right, "--max-offset-ms", "5")
    assert (code, "searches as wide as check" in told) == (0, True)

    assert said(capsys, "check", str(stereo), "--out", str(tmp_path / "r"))[0] == 0
    code, out, told = said(
        capsys, "apply", str(tmp_path / "r"), "--out", str(tmp_path / "c"), "--only", "flips"
    )
    assert (code, "Use --set instead" in told, "flipped" in out) == (0, True, True)
