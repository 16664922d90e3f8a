"""The allowed arrows between modules, as data; the imports must equal them, unused allowances included."""

import ast
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parents[1] / "polaritykit"

#: Module -> modules of this package it imports (at any place in the file, typing included).
ARROWS: dict[str, set[str]] = {
    "listening": {"continuous", "events", "levels", "records", "settings", "spectra"},
    "octaves": {"records"},
    "pair_finding": {
        "advice",
        "comb",
        "findings",
        "motion",
        "pairs",
        "records",
        "settings",
        "spectra",
        "summing",
    },
    "recheck_view": {"job_view", "wording"},
    "commands.recheck": {"errors", "output", "recheck", "recheck_view", "report"},
    "recheck": {"errors"},
    "motion": {"findings", "records", "settings", "sources"},
    "gather": {"changes", "events", "evidence", "motion", "records", "settings", "sources", "strokes"},
    "frame_course": {"records", "settings"},
    "course": {"records", "settings"},
    "changes": {"course", "frame_course", "motion", "records", "settings"},
    "__init__": set(),
    "__main__": {"cli"},
    "cli": {"__init__", "errors", "filenames"},
    "errors": set(),
    "records": set(),
    "apply_plan": {"errors", "filenames", "records"},
    "commands.apply": {
        "apply_plan",
        "copies",
        "errors",
        "filenames",
        "fingerprint",
        "output",
        "proof",
        "terminal",
    },
    "copies": {"apply_plan", "corrected_copy", "correction", "errors", "file_header", "filenames"},
    "audio": {"errors", "file_header", "file_recording", "filenames", "placement", "records", "settings"},
    "broadcast_wave": set(),
    "corrected_copy": {"broadcast_wave", "correction", "errors", "filenames"},
    "correction": {"records"},
    "file_header": {"broadcast_wave", "filenames", "records"},
    "file_recording": {"filenames", "recording", "records"},
    "fingerprint": {"errors", "file_header", "file_recording", "records"},
    "filenames": set(),
    "folder_marker": set(),
    "output": {"errors", "folder_marker"},
    "placement": {"errors", "file_header"},
    "promise": {"octaves", "records", "spectra", "summing"},
    "proof": {
        "analysis",
        "apply_plan",
        "audio",
        "errors",
        "findings",
        "listening",
        "promise",
        "records",
        "settings",
        "verdict",
    },
    "recording": {"errors", "records"},
    "spectra": {"errors", "records"},
    "spectra_curves": {"errors", "records", "spectra"},
    "spectral_offset": {"records", "settings", "spectra"},
    "strokes": {"records", "settings"},
    "stereo": {
        "errors",
        "octaves",
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
    "job_document": {"__init__", "filenames", "records"},
    "sum_audio": {"output", "records"},
    "bleed": {
        "bleed_advice",
        "bleed_passages",
        "bleed_sum",
        "errors",
        "records",
        "settings",
        "spectra",
        "spectral_offset",
    },
    "bleed_advice": {"bleed_sum", "records", "settings"},
    "bleed_sum": {"bleed_passages", "records", "settings", "spectra"},
    "bleed_passages": {"records", "settings"},
    "bleed_document": {"job_document", "records"},
    "commands.bleed": {
        "audio",
        "bleed",
        "bleed_document",
        "bleed_view",
        "errors",
        "job_document",
        "job_view",
        "output",
        "records",
        "report",
        "settings",
        "sum_audio",
    },
    "commands.pair": {
        "audio",
        "errors",
        "job_document",
        "job_view",
        "output",
        "records",
        "report",
        "settings",
        "stereo_second",
        "stereo_document",
        "stereo_view",
        "sum_audio",
    },
    "commands.__init__": set(),
    "commands.demo": {"demo", "terminal"},
    "demo": {"demo_kit", "demo_session", "demo_songs", "filenames", "output", "records"},
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
    "true_peak": {"records"},
    "clipping": {"records", "settings"},
    "hum": {"records", "settings"},
    "levels": {"clipping", "hum", "records", "settings", "true_peak"},
    "headroom": {"levels", "records", "settings"},
    "air": {"errors", "records", "settings"},
    "quantities": {"errors"},
    "pulse": {"errors", "records"},
    "pulse_reading": {"pulse", "records", "settings", "two_tone"},
    "two_tone": {"pulse", "records", "settings"},
    "commands.pulse": {
        "__init__",
        "audio",
        "errors",
        "filenames",
        "output",
        "pulse",
        "pulse_reading",
        "pulse_view",
        "records",
        "report",
    },
    "comb": {"errors", "records"},
    "comb_inputs": {"errors", "quantities", "records", "settings"},
    "patterns": set(),
    "tape": {"errors", "plan_records", "records"},
    "toml_table": {"errors", "quantities"},
    "plan_records": {"records"},
    "plan_paths": {"patterns", "plan_records", "records"},
    "layout": {"comb", "patterns", "plan_paths", "plan_records", "records", "settings"},
    "plan_document": {"__init__", "comb", "plan_records", "records"},
    "plan_text": {"quantities"},
    "plan_plots": {"comb", "records"},
    "plan_page": {"page", "plan_plots", "plan_text"},
    "commands.comb": {
        "air",
        "comb",
        "comb_inputs",
        "comb_view",
        "errors",
        "output",
        "plan_document",
        "plan_plots",
        "plan_text",
        "quantities",
        "records",
        "report",
        "settings",
    },
    "commands.layout": {
        "errors",
        "layout",
        "output",
        "plan",
        "plan_against",
        "plan_document",
        "plan_page",
        "plan_plots",
        "plan_records",
        "plan_text",
        "quantities",
    },
    "plan": {
        "errors",
        "filenames",
        "patterns",
        "plan_records",
        "plan_room",
        "settings",
        "tape",
        "toml_table",
    },
    "plan_room": {"air", "errors", "plan_records", "records", "toml_table"},
    "plan_against": {"comb", "curves", "errors", "plan_lags", "plan_records", "records", "settings"},
    "plan_lags": {"plan_records", "settings"},
    "advice": {"findings", "pairs", "records", "settings"},
    "agreement": {"records", "settings"},
    "analysis": {
        "agreement",
        "corrections",
        "errors",
        "evidence",
        "findings",
        "gather",
        "headroom",
        "kit_sum",
        "limits",
        "listening",
        "motion",
        "naming",
        "pair_finding",
        "pairs",
        "recording",
        "records",
        "settings",
        "spectra",
        "sum_targets",
    },
    "arrival": {"records", "settings"},
    "line_up": {"arrival", "matching", "records", "settings"},
    "matching": {"records"},
    "commands.check": {
        "analysis",
        "audio",
        "document",
        "errors",
        "excerpts",
        "filenames",
        "layout",
        "output",
        "plan",
        "report",
        "tables",
        "terminal",
    },
    "continuous": {"mains", "phase_slope", "records", "settings"},
    "corrections": {
        "agreement",
        "evidence",
        "findings",
        "naming",
        "pairs",
        "settings",
        "sum_targets",
        "timing",
    },
    "timing": {"alignment", "evidence", "findings", "naming", "pairs", "records", "settings", "sum_targets"},
    "alignment": {"findings", "records", "settings", "sum_targets"},
    "sum_targets": {"octaves", "records", "spectra"},
    "document": {
        "__init__",
        "analysis",
        "curves",
        "excerpts",
        "filenames",
        "findings",
        "headroom",
        "records",
        "settings",
        "spectra_curves",
        "summing",
        "verdict",
    },
    "events": {"records", "settings"},
    "sources": {"events", "records", "settings"},
    "evidence": {
        "arrival",
        "continuous",
        "course",
        "frame_course",
        "hits",
        "line_up",
        "records",
        "settings",
        "sources",
        "sum_targets",
    },
    "findings": {"records", "spectra"},
    "hits": {"arrival", "matching", "records", "settings"},
    "mains": {"records"},
    "naming": set(),
    "phase_slope": {"records"},
    "pairs": {"agreement", "evidence", "findings", "records", "settings", "spectra", "summing"},
    "report": {"errors", "job_plots", "job_view", "output", "page", "plots", "tables"},
    "settings_changes": set(),
    "settings_decisions": set(),
    "settings_frames": set(),
    "settings_hits": set(),
    "settings_jobs": set(),
    "settings": {
        "settings_changes",
        "settings_decisions",
        "settings_frames",
        "settings_hits",
        "settings_jobs",
    },
    "terminal": set(),
    "verdict": {"findings", "wording"},
    "limits": {"evidence", "records", "settings"},
    "kit_sum": {"findings", "octaves", "settings", "spectra"},
    "excerpts": {"findings", "records", "settings"},
    "job_view": {"page"},
    "job_plots": {"job_view"},
    "stereo_second": {"air", "analysis", "findings", "records", "settings", "stereo", "stereo_remarks"},
    "stereo_view": {"job_view", "page", "stereo_document", "wording"},
    "bleed_view": {"bleed_document", "job_view", "wording"},
    "pulse_view": {"job_view", "pulse", "wording"},
    "comb_view": {"job_view", "plan_page", "plan_text"},
}

#: Modules that show, write or print.  Computation must not know them.
OUTPUTS = {
    "bleed_document",
    "bleed_view",
    "comb_view",
    "copies",
    "corrected_copy",
    "document",
    "folder_marker",
    "job_document",
    "job_plots",
    "job_view",
    "output",
    "page",
    "plan_document",
    "plan_page",
    "plan_plots",
    "plan_text",
    "plots",
    "pulse_view",
    "recheck_view",
    "report",
    "stereo_document",
    "stereo_view",
    "sum_audio",
    "tables",
    "terminal",
}
#: Package -> the only modules that may import it.
KEPT_IN = {
    "soundfile": {
        "commands.pulse",  # writes the signal
        "corrected_copy",
        "demo",
        "file_header",
        "file_recording",
        "sum_audio",
    },
    "matplotlib": {"job_plots", "plan_plots", "plots"},
    "jinja2": {"page"},
    "soxr": {"file_recording"},
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


def test_computation_knows_no_output():
    """Only outputs, commands and the demo writer import outputs."""
    others = {
        module: ARROWS[module] & OUTPUTS
        for module in ARROWS
        if module not in OUTPUTS | {"demo"} and not module.startswith("commands.")
    }

    assert {module: found for module, found in others.items() if found} == {}


def test_commands_are_leaves():
    """Nothing imports a command; the command line finds them by name."""
    assert [
        module for module, arrows in ARROWS.items() if any(a.startswith("commands.") for a in arrows)
    ] == []


@pytest.mark.parametrize("package", KEPT_IN)
def test_files_pictures_and_pages_are_made_in_few_places(package):
    """One place that touches a library is one place to change when it does."""
    found = set()
    for path in sorted(PACKAGE.rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            names = [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
            names += [node.module or ""] if isinstance(node, ast.ImportFrom) else []
            if any(name.split(".")[0] == package for name in names):
                found.add(_module_name(path))

    assert found == KEPT_IN[package]


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
