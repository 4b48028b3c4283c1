"""A stage imports earlier stages only, because a folder listing does not show their order."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
ORDER = (
    "errors",
    "constants",
    "columns",
    "processes",
    "handbook",
    "portfolio",
    "field",
    "expected",
    "gap",
    "cost",
    "action",
    "book",
    "proof",
    "pictures",
    "check",
    "remarks",
    "assess_site",
    "assess",
    "report",
    "cli_jobs",
    "cli",
    "__main__",
)
#: Which of them may start the dashboards.
STARTERS = ("cli",)


def imports(path: Path) -> set[str]:
    """
    Full names of the modules that a file imports, also inside functions; names imported from a package are
    added to it.
    """
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: a relative import hides the stage it comes from"
            names |= {f"{node.module}.{alias.name}" for alias in node.names}
    return names


def files(package: str) -> list[Path]:
    return sorted((ROOT / package).rglob("*.py"))


def stage(parts: tuple[str, ...]) -> str | None:
    """The stage of a module by its name's parts after the package's; None for the package itself."""
    return parts[0] if parts and parts[0] != "__init__" else None


def rank(name: str) -> int:
    assert name in ORDER, f"yieldwatch.{name} has no place in the order of the stages"
    return ORDER.index(name)


@pytest.mark.parametrize("path", files("yieldwatch"), ids=lambda p: str(p.relative_to(ROOT)))
def test_a_module_imports_earlier_stages_only(path):
    own = stage(path.relative_to(ROOT / "yieldwatch").with_suffix("").parts)
    for name in imports(path):
        parts = name.split(".")
        assert parts[0] != "tests", f"{path} imports {name}"
        assert parts[0] != "dashboards" or own in STARTERS, f"{path} imports {name}"
        other = parts[1] if parts[0] == "yieldwatch" and len(parts) > 1 else None
        # The package's own name, as in its version, belongs to no stage.
        if own is None or other is None or other.startswith("__"):
            continue
        assert rank(other) <= rank(own), f"{path} imports {name}, a later stage"


def test_every_stage_is_there_and_has_a_place():
    found = {stage(p.relative_to(ROOT / "yieldwatch").with_suffix("").parts) for p in files("yieldwatch")} - {
        None
    }
    assert found <= set(ORDER)
    assert {"portfolio", "field", "expected", "gap", "cost", "action"} <= found


def test_the_walk_sees_imports_inside_functions(tmp_path):
    path = tmp_path / "sample.py"
    path.write_text("import numpy as np\ndef f():\n    from yieldwatch.gap import split\n", encoding="utf-8")
    assert imports(path) == {"numpy", "yieldwatch.gap.split"}
