"""Imports go one way: dashboard | pipelines → schemas → shared. sample_data's generator stands alone."""

import ast
import re
import sys
from graphlib import TopologicalSorter
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


#: what each folder may import of its own package; a folder may always import itself
MAY_IMPORT_INSIDE = {
    "shared.gas": set(),
    "shared.rules": set(),
    "shared.trend": {"gas"},
    "shared.fleet": {"gas"},
    "shared.inspection": {"rules"},
    "shared.air": {"gas", "rules"},
    "shared.filling": {"gas", "rules"},
    "shared.diving": {"gas"},
    "pipelines.readers": set(),
    "pipelines.warehouse": set(),
    "pipelines.derive": set(),
    "pipelines.station": {"readers", "warehouse"},
    "pipelines.intake": {"readers", "station", "warehouse"},
    "pipelines.publish": {"station"},
    "pipelines.refresh": {"derive", "intake", "publish", "station", "warehouse"},
    "pipelines.schedule": {"publish", "refresh", "station"},
    "pipelines.cli": {"intake", "publish", "refresh", "schedule", "station", "warehouse"},
}


def imported_modules(path: Path) -> set[str]:
    """Modules of ours that a file imports, also inside functions."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and node.module and node.module.split(".")[0] in PACKAGES:
            for alias in node.names:
                inner = ROOT / f"{node.module}.{alias.name}".replace(".", "/")
                whole = inner.with_suffix(".py").exists() or inner.is_dir()
                found.add(f"{node.module}.{alias.name}" if whole else node.module)
    return found


@pytest.mark.parametrize("folder", MAY_IMPORT_INSIDE)
def test_a_folder_imports_only_what_lies_below_it(folder):
    package, own = folder.split(".")
    files = list((ROOT / package / own).rglob("*.py"))
    assert files
    for path in files:
        inside = {m.split(".")[1] for m in imported_modules(path) if m.startswith(package + ".")}
        wrong = inside - MAY_IMPORT_INSIDE[folder] - {own}
        assert not wrong, f"{path.relative_to(ROOT)} imports {package}.{', '.join(sorted(wrong))}"


def test_every_folder_has_its_place_in_the_order():
    for package in ("shared", "pipelines"):
        folders = {f"{package}.{p.parent.name}" for p in (ROOT / package).glob("*/__init__.py")}
        assert folders == {f for f in MAY_IMPORT_INSIDE if f.startswith(package + ".")}
        assert {p.name for p in (ROOT / package).glob("*.py")} == {"__init__.py"}


def test_no_module_imports_itself_by_way_of_others():
    of = {}
    for package in ("shared", "schemas", "pipelines", "dashboard"):
        for path in (ROOT / package).rglob("*.py"):
            name = ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")
            of[name] = imported_modules(path) - {name}
    tuple(TopologicalSorter(of).static_order())  # raises CycleError, which names the modules


ASKS = re.compile(r"\.(execute|executemany|sql|frame|one|fetchall)\(|\b(SELECT|UPDATE|DELETE FROM|INSERT INTO)\b")


def test_queries_stand_in_the_warehouse_alone():
    """So that what is stored can change in one folder. Analysts' own queries are read-only (schemas/analysis.py)."""
    for package in ("pipelines", "dashboard", "shared"):
        for path in (ROOT / package).rglob("*.py"):
            if path.parent != ROOT / "pipelines" / "warehouse":
                asked = ASKS.search(path.read_text(encoding="utf-8"))
                assert not asked, f"{path.relative_to(ROOT)}: {asked.group()}"


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
    """`coldfill run` needs no Prefect; the calculator neither scipy nor pandas: that is why they start fast.

    Pages start without scipy, DuckDB and what writes workbooks.
    """
    import subprocess

    for module, without in (
        ("pipelines.refresh.run", ("prefect", "streamlit", "plotly")),
        ("dashboard.app", ("prefect", "scipy", "openpyxl", "duckdb")),
        ("pipelines.cli.calculator", ("scipy", "pandas", "prefect")),
        ("pipelines.cli", ("pandas", "duckdb", "numpy", "pandera")),
    ):
        done = subprocess.run(
            [sys.executable, "-c", f"import {module}, sys; print(' '.join(sys.modules))"],
            capture_output=True,
            text=True,
            check=True,
        )
        assert not set(without) & set(done.stdout.split()), module
