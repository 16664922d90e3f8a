"""Where the real recordings lie, for tests and benchmarks that use them."""

import os
from pathlib import Path

import pytest
from places import ROOT


def shared_data_dir() -> Path | None:
    """Folder of the real recordings, or None where they are absent."""
    named = os.environ.get("POLARITYKIT_SHARED_DATA")
    candidates = [Path(named)] if named else [ROOT.parent / "shared" / "data"]
    return next((path for path in candidates if path.is_dir()), None)


def need_shared_data(part: str) -> Path:
    """Return the folder of one set (``kit`` or ``drums``), or skip the test."""
    base = shared_data_dir()
    if base is None or not (base / part).is_dir():
        pytest.skip(f"the real recordings ({part}) are not beside this checkout; set POLARITYKIT_SHARED_DATA")
    return base / part
