"""Imports go one way: dashboard | pipelines → schemas → shared. sample_data's generator stands alone."""

import ast
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
PACKAGES = ("shared", "schemas", "pipelines", "dashboard", "sample_data")
MAY_IMPORT = {
    "shared": {"shared"},
    "schemas": {"schemas", "shared"},
    "pipelines": {"pipelines", "schemas", "shared"},
    "dashboard": {"dashboard", "schemas", "shared"},
    "sample_data": {"sample_data"},
}


def imported(path: Path) -> set[str]:
    """Top-level names of everything a file imports, also inside functions."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name.split(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            found.add(node.module.split(".")[0])
    return found


@pytest.mark.parametrize("package", PACKAGES)
def test_a_package_imports_only_what_lies_below_it(package):
    files = list((ROOT / package).rglob("*.py"))
    assert files
    for path in files:
        wrong = imported(path) & set(PACKAGES) - MAY_IMPORT[package]
        assert not wrong, f"{path.relative_to(ROOT)} imports {', '.join(sorted(wrong))}"


def test_the_physics_reads_no_tables_and_no_clock():
    """shared/ is arrays in, arrays out; its own rules are the only files it opens."""
    for path in (ROOT / "shared").rglob("*.py"):
        wrong = imported(path) & {
            "pandas",
            "duckdb",
            "pyarrow",
            "streamlit",
            "prefect",
            "time",
            "requests",
            "pandera",
            "plotly",
        }
        assert not wrong, f"{path.name} imports {wrong}"


def test_a_pass_and_the_calculator_do_not_import_what_they_can_do_without():
    """`coldfill run` needs no Prefect; the calculator neither scipy nor pandas: that is why they start fast."""
    import subprocess

    for module, without in (
        ("pipelines.refresh.run", ("prefect", "streamlit", "plotly")),
        ("pipelines.cli.calculator", ("scipy", "pandas", "prefect")),
        ("pipelines.cli", ("pandas", "duckdb", "numpy", "pandera")),
    ):
        told = subprocess.run(
            [sys.executable, "-c", f"import {module}, sys; print(' '.join(sys.modules))"],
            capture_output=True,
            text=True,
            check=True,
        )
        assert not set(without) & set(told.stdout.split()), module
