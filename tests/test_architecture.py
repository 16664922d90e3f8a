"""The allowed arrows between modules, as data; the imports must equal them, unused allowances included."""

import ast
from pathlib import Path

PACKAGE = Path(__file__).parents[1] / "polaritykit"

#: Module -> modules of this package it imports (at any place in the file, typing included).
ARROWS: dict[str, set[str]] = {
    "__init__": set(),
    "__main__": {"cli"},
    "cli": {"__init__", "errors"},
    "errors": set(),
    "records": set(),
    "apply_plan": {"errors"},
    "commands.apply": {"apply_plan", "copies", "errors", "output"},
    "copies": {"apply_plan", "corrected_copy", "correction", "errors", "file_header"},
    "audio": {"errors", "file_header", "file_recording", "placement", "records", "settings"},
    "broadcast_wave": set(),
    "corrected_copy": {"broadcast_wave", "correction", "errors"},
    "correction": {"records"},
    "file_header": {"broadcast_wave", "records"},
    "file_recording": {"recording", "records"},
    "output": {"errors"},
    "placement": {"errors", "file_header"},
    "promise": {"curves", "records", "summing"},
    "recording": {"errors", "records"},
    "spectra": {"errors", "records"},
    "spectral_offset": {"records", "settings", "spectra"},
    "stereo": {
        "errors",
        "records",
        "settings",
        "spectra",
        "spectral_offset",
        "stereo_tiles",
        "stereo_verdict",
    },
    "stereo_tiles": {"records"},
    "stereo_verdict": {"air", "records", "settings", "spectra", "stereo_remarks", "stereo_tiles"},
    "stereo_remarks": {"records", "settings"},
    "stereo_document": {"job_document", "records"},
    "job_document": {"__init__", "records"},
    "sum_audio": {"output", "records"},
    "commands.pair": {
        "audio",
        "errors",
        "job_document",
        "output",
        "settings",
        "stereo",
        "stereo_document",
        "sum_audio",
    },
    "commands.__init__": set(),
    "commands.demo": {"demo"},
    "demo": {"demo_kit", "demo_session", "demo_songs", "errors", "output"},
    "demo_kit": {"demo_room", "demo_session", "demo_sources", "records"},
    "demo_room": {"records"},
    "demo_session": {"demo_room", "records"},
    "demo_songs": {"demo_room", "demo_session", "demo_sources", "records"},
    "demo_sources": {"records"},
    "summing": {"records", "settings"},
    "curves": {"records"},
    "wording": set(),
    "tables": {"wording"},
    "page": {"__init__", "wording"},
    "plots": {"curves", "records", "settings", "summing", "wording"},
    "air": {"errors", "records", "settings"},
    "quantities": {"errors"},
    "true_peak": {"records"},
    "clipping": {"records", "settings"},
    "hum": {"records", "settings"},
    "levels": {"clipping", "hum", "records", "settings", "true_peak"},
    "headroom": {"levels", "records", "settings"},
    "comb": {"errors", "records"},
}


def _module_name(path: Path) -> str:
    return ".".join(path.relative_to(PACKAGE).with_suffix("").parts)


def _imports(path: Path) -> set[str]:
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path.name}: write imports in full"
            names = [node.module or ""]
        else:
            continue
        for name in names:
            if name == "polaritykit":
                found.add("__init__")
            elif name.startswith("polaritykit."):
                found.add(name.removeprefix("polaritykit."))
    return found


def test_imports_equal_the_table():
    """What the code imports is exactly what the table allows."""
    actual = {_module_name(path): _imports(path) for path in sorted(PACKAGE.rglob("*.py"))}

    assert actual == ARROWS


def test_no_cycles():
    """No module reaches itself through its imports."""

    def reaches(start: str) -> set[str]:
        seen: set[str] = set()
        todo = list(ARROWS.get(start, ()))
        while todo:
            module = todo.pop()
            if module not in seen:
                seen.add(module)
                todo += ARROWS.get(module, ())
        return seen

    assert [module for module in ARROWS if module in reaches(module)] == []
