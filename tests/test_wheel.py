"""What an installation gets: the four packages, and of the sample its files without the program that made them."""

from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent


@pytest.fixture(scope="module")
def installed():
    """Paths in the wheel, as the build would pack them."""
    from hatchling.builders.wheel import WheelBuilder

    return {Path(f.distribution_path) for f in WheelBuilder(str(ROOT)).recurse_included_files()}


def test_the_demo_s_files_are_installed(installed):
    inbox = {f.relative_to(ROOT) for f in (ROOT / "sample_data" / "inbox").rglob("*") if f.is_file()}
    assert len(inbox) > 80
    assert installed >= inbox | {Path("sample_data/__init__.py"), Path("sample_data/station.toml")}


def test_the_maker_of_samples_is_not_installed(installed):
    """It needs CoolProp and numba, and knows the truth of the sample."""
    modules = {f.name for f in installed if f.parts[0] == "sample_data" and len(f.parts) == 2}
    assert modules == {"__init__.py", "station.toml"}


@pytest.mark.parametrize("package", ["shared", "schemas", "pipelines", "dashboard"])
def test_every_file_of_a_package_is_installed(installed, package):
    files = {f.relative_to(ROOT) for f in (ROOT / package).rglob("*") if f.is_file() and "__pycache__" not in f.parts}
    assert installed >= files
