"""The house rules: allowed arrows between packages, no circle inside one, outputs known to outputs only."""

import ast
from functools import cache
from pathlib import Path

import pytest
from places import PACKAGE

STAGES = {"audio", "recorders", "levels", "spectra", "struck", "sustained", "changes", "evidence", "decide"}
JOBS = {f"jobs/{path.name}" for path in (PACKAGE / "jobs").iterdir() if (path / "__init__.py").is_file()}

#: Package -> packages it may import.  An allowance that nothing uses fails too.
ALLOWED: dict[str, set[str]] = {
    "base": set(),
    "audio": {"base"},
    "levels": {"base"},
    "spectra": {"base"},
    "sustained": {"base"},
    "struck": {"base"},
    "changes": {"base", "struck", "sustained"},
    "evidence": {"base", "levels", "spectra", "struck", "sustained", "changes"},
    "decide": {"base", "levels", "spectra", "struck", "changes", "evidence"},
    "recorders": {"base", "audio", "sustained"},
    "pages": {"base"},
    "analysis": {"base", "audio", "levels", "spectra", "struck", "sustained", "evidence", "decide"},
    "jobs/check": {
        "base",
        "audio",
        "changes",
        "levels",
        "spectra",
        "evidence",
        "decide",
        "recorders",
        "pages",
    },
    "jobs/pair": {"base", "audio", "spectra", "decide", "recorders", "analysis", "jobs/check", "pages"},
    "jobs/bleed": {"base", "audio", "spectra", "decide", "analysis", "jobs/pair", "pages"},
    "jobs/comb": {"base", "spectra", "pages"},
    "jobs/layout": {"base", "spectra", "jobs/comb", "pages"},
    "jobs/pulse": {"base", "pages"},
    "jobs/recheck": {"base", "pages"},
    "jobs/apply": {
        "base",
        "audio",
        "spectra",
        "evidence",
        "decide",
        "recorders",
        "analysis",
        "jobs/check",
        "pages",
    },
    "jobs/archive": {"base", "audio", "levels", "pages"},
    "jobs/demo": {"base"},
    # A command opens, makes one call and writes; the call of `check` is the story itself.
    "commands": {"base", "audio", "decide", "recorders", "analysis", "pages", *JOBS},
    "cli": {"base"},
    "__main__": {"base", "cli"},
    "__init__": {"audio", "analysis"},  # for type checkers only: the package imports them on first use
}
#: Command -> jobs it may import besides its own.
OTHER_JOBS = {"check": {"jobs/layout"}, "layout": {"jobs/comb"}, "report_file": {"jobs/check"}}
#: Files of a job that show: no other file of the job imports them.
OUTPUTS = {"document", "text", "view", "plots", "page", "folder"}
#: Package from outside -> the only modules that may import it.
KEPT_IN = {
    "soundfile": {
        "audio.file_recording",
        "audio.header",
        "audio.mixdown",
        "audio.opened",
        "commands.pulse",  # writes the signal
        "jobs.apply.copy_file",
        "jobs.demo.write",
    },
    "matplotlib": {"jobs.check.plots", "jobs.comb.plots", "jobs.layout.plots", "pages.figures"},
    "jinja2": {"pages.page"},
    "msgspec": {"base.validate"},
    "soxr": {"audio.excerpt", "audio.file_recording", "audio.other_clock", "sustained.whitened"},
}


@cache
def modules() -> dict[str, set[str]]:
    """Every module with what it imports of this project, at any place in the file, typing included."""
    return {_module_name(path): _own_imports(path) for path in sorted(PACKAGE.rglob("*.py"))}


def _module_name(path: Path) -> str:
    return ".".join(path.relative_to(PACKAGE).with_suffix("").parts)


def _all_imports(path: Path) -> set[str]:
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path.name}: write imports in full"
            found.add(node.module or "")
    return found


def _own_imports(path: Path) -> set[str]:
    return {
        name.removeprefix("polaritykit.") for name in _all_imports(path) if name.startswith("polaritykit.")
    }


def package_of(module: str) -> str:
    """Room of a module: its folder, a job's own folder, or itself at the top level."""
    parts = module.split(".")
    return "/".join(parts[:2]) if parts[0] == "jobs" and len(parts) > 1 else parts[0]


def test_top_level_holds_only_the_story():
    """Everything else has a room."""
    files = {path.name for path in PACKAGE.iterdir() if path.is_file()}

    assert files == {"__init__.py", "__main__.py", "analysis.py", "cli.py", "py.typed"}


def test_packages_import_what_the_table_allows():
    """Neither more nor less: an unused allowance is a rule nobody needs."""
    actual: dict[str, set[str]] = {package: set() for package in ALLOWED}
    for module, imported in modules().items():
        own = package_of(module)
        if own != "jobs/__init__":
            actual[own] |= {package_of(name) for name in imported} - {own}

    assert actual == ALLOWED


def test_a_command_knows_its_own_job():
    """One command, one job."""
    wrong = {}
    for module, imported in modules().items():
        if module.startswith("commands."):
            name = module.removeprefix("commands.")
            allowed = {f"jobs/{name}"} | OTHER_JOBS.get(name, set())
            wrong[name] = {package_of(other) for other in imported if other.startswith("jobs.")} - allowed

    assert {name: found for name, found in wrong.items() if found} == {}


def test_nothing_imports_a_command():
    """The command line finds them by name; commands may share `links`, `terminal` and the like."""
    commands = {path.stem for path in (PACKAGE / "commands").glob("*.py")}
    named = {f"commands.{name}" for name in commands & {job.removeprefix("jobs/") for job in JOBS}}

    assert {module: found & named for module, found in modules().items() if found & named} == {}


def test_no_circle_inside_a_package():
    """No module reaches itself through its imports; whole packages are not imported, which would hide it."""
    assert {name for imported in modules().values() for name in imported} <= set(modules())

    def reached(start: str) -> set[str]:
        seen: set[str] = set()
        todo = list(modules()[start])
        while todo:
            module = todo.pop()
            if module not in seen:
                seen.add(module)
                todo += modules().get(module, ())
        return seen

    assert [module for module in modules() if module in reached(module)] == []


def test_outputs_are_known_to_outputs_only():
    """What measures and decides does not know how it is shown."""
    wrong = {
        module: shown
        for module, imported in modules().items()
        if module.startswith("jobs.") and module.rpartition(".")[2] not in OUTPUTS
        if (
            shown := {
                name for name in imported if name.startswith("jobs.") and name.rpartition(".")[2] in OUTPUTS
            }
        )
    }

    assert wrong == {}


#: Most parameters that a reader keeps in mind; a public function may take more, by keyword only.
MOST_PARAMETERS = 7


def test_functions_take_at_most_seven_parameters():
    """More of them want a record of their own."""
    found = set()
    for path in sorted(PACKAGE.rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.FunctionDef):
                by_place = [a.arg for a in (*node.args.posonlyargs, *node.args.args)]
                counted = by_place + ([a.arg for a in node.args.kwonlyargs] if node.name[0] == "_" else [])
                if len(set(counted) - {"self", "cls"}) > MOST_PARAMETERS:
                    found.add(f"{_module_name(path)}.{node.name}")

    assert found == set()


@pytest.mark.parametrize("package", KEPT_IN)
def test_files_pictures_and_pages_are_made_in_few_places(package):
    """One place that touches a library is one place to change when it does."""
    found = {
        _module_name(path)
        for path in sorted(PACKAGE.rglob("*.py"))
        if any(name.split(".")[0] == package for name in _all_imports(path))
    }

    assert found == KEPT_IN[package]
