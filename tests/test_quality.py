"""Lint, types and the promises about the tree itself."""

import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
#: the card in DEVELOPERS.md
TOP_LEVEL = {
    "README.md",
    "DEVELOPERS.md",
    "pyproject.toml",
    "constraints.txt",
    "LICENSE",
    "shared",
    "schemas",
    "pipelines",
    "dashboard",
    "sample_data",
    "tests",
}


def tracked() -> list[str]:
    listed = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True)
    if listed.returncode:
        pytest.skip("not a git checkout")
    return listed.stdout.split("\n")[:-1]


def test_ruff_finds_nothing():
    done = subprocess.run(
        [sys.executable, "-m", "ruff", "check", "--no-cache", "."], cwd=ROOT, capture_output=True, text=True
    )
    assert done.returncode == 0, done.stdout


@pytest.mark.once
def test_types_hold(tmp_path):
    done = subprocess.run(
        [sys.executable, "-m", "mypy", "--cache-dir", str(tmp_path)], cwd=ROOT, capture_output=True, text=True
    )
    assert done.returncode == 0, done.stdout


def test_the_top_level_is_what_the_guide_lists():
    found = {path.split("/")[0] for path in tracked()}
    assert {name for name in found if not name.startswith(".")} == TOP_LEVEL
    guide = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    assert all(name in guide for name in TOP_LEVEL)


def test_each_test_that_the_guide_names_is_there():
    guide = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    named = set(re.findall(r"`(?:tests/)?([\w/]+\.py)(?:::(\w+))?`", guide))
    tests = {(place, test) for place, test in named if place.rpartition("/")[2].startswith("test_")}
    assert len(tests) > 30
    for place, test in tests:
        found = [path for path in (ROOT / "tests").rglob(place.rpartition("/")[2]) if path.as_posix().endswith(place)]
        assert found and (not test or f"def {test}(" in found[0].read_text(encoding="utf-8")), f"{place}::{test}"


def test_pins_are_plain_names_and_versions():
    for line in (ROOT / "constraints.txt").read_text().splitlines():
        assert re.fullmatch(r"[A-Za-z0-9._-]+==[A-Za-z0-9.+!]+", line), line


def test_no_file_names_a_place_on_a_machine_or_a_registry():
    suspicious = re.compile(
        r"(?<![\w.])/(?:home|root|work|Users|tmp)/\w|pypi\.org|pythonhosted|files\.python|registry\.npmjs"
    )
    for name in tracked():
        path = ROOT / name
        if (
            path.suffix in (".py", ".md", ".toml", ".txt", ".csv", ".uddf", ".css")
            and path.is_file()
            and name != "tests/test_quality.py"
        ):
            found = suspicious.search(path.read_text(encoding="utf-8", errors="replace"))
            assert not found, f"{name}: {found[0]}"


def test_source_files_fit_in_a_head():
    """About 400 lines; declarations, which are read one at a time, may be longer."""
    for package in ("shared", "schemas", "pipelines", "dashboard"):
        for path in (ROOT / package).rglob("*.py"):
            if path.name not in ("fields.py",):
                assert len(path.read_text(encoding="utf-8").splitlines()) <= 430, path.name


def test_the_sample_is_small_in_git():
    assert sum((ROOT / name).stat().st_size for name in tracked() if name.startswith("sample_data/")) < 8_000_000
