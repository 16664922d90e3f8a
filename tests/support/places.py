"""Where things lie in a checkout."""

from pathlib import Path

ROOT = Path(__file__).parents[2]
PACKAGE = ROOT / "polaritykit"
DEMO_AUDIO = ROOT / "demo_audio"
BENCHMARKS = ROOT / "tests" / "benchmarks"
