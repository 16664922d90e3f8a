"""Counts what a caller may change: fields of the classes named ...Settings, by package.

Run from the checkout: ``python tests/support/settings_count.py [FOLDER]``, where FOLDER may be another
checkout's package.
"""

import ast
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True, kw_only=True)
class Setting:
    """One field of a settings class."""

    package: str
    owner: str
    name: str


def settings_of(folder: Path) -> Iterator[Setting]:
    """Yield every setting below a package's folder; a branch of other settings is none itself."""
    for path in sorted(folder.rglob("*.py")):
        place = path.relative_to(folder).parts
        package = "/".join(place[:2]) if place[0] == "jobs" else place[0].removesuffix(".py")
        for node in ast.parse(path.read_text(encoding="utf-8")).body:
            if isinstance(node, ast.ClassDef) and node.name.endswith("Settings"):
                for field in node.body:
                    if (
                        isinstance(field, ast.AnnAssign)
                        and isinstance(field.target, ast.Name)
                        and not ast.unparse(field.annotation).endswith("Settings")
                    ):
                        yield Setting(package=package, owner=node.name, name=field.target.id)


def counts(folder: Path) -> dict[str, int]:
    """Count the settings of each package that has any."""
    found: dict[str, int] = {}
    for setting in settings_of(folder):
        found[setting.package] = found.get(setting.package, 0) + 1
    return found


if __name__ == "__main__":
    named = counts(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parents[2] / "polaritykit")
    for name, number in sorted(named.items()):
        print(f"{name:<12} {number:4d}")
    print(f"{'all':<12} {sum(named.values()):4d}")
