"""CI has all that tests need, so what is skipped there has not been tested."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

WANTS = """
import pytest

def test_browser():
    pytest.skip("no Chromium here")

def test_library():
    pytest.importorskip("no_such_library")

@pytest.fixture
def made():
    pytest.skip("cannot be made")

def test_fixture(made):
    pass

@pytest.mark.skipif(True, reason="another platform")
def test_left_out_by_a_mark():
    pass
"""
WANTS_AS_A_WHOLE = 'import pytest\npytest.importorskip("no_such_library")\n\ndef test_it():\n    pass\n'


def outcome(folder: Path, required: str) -> str:
    (folder / "test_wants.py").write_text(WANTS)
    (folder / "test_whole.py").write_text(WANTS_AS_A_WHOLE)
    command = [sys.executable, "-m", "pytest", "-p", "strict_skips", "-p", "no:cacheprovider", "-q", str(folder)]
    environment = os.environ | {"COLDFILL_BROWSER": required, "PYTHONPATH": str(Path(__file__).parent)}
    return subprocess.run(
        [*command, "--continue-on-collection-errors"], cwd=folder, env=environment, capture_output=True, text=True
    ).stdout


@pytest.mark.parametrize("required, counts", [("required", "2 failed, 1 skipped, 2 errors"), ("", "5 skipped")])
def test_what_is_missing_fails_where_it_is_required(tmp_path, required, counts):
    said = outcome(tmp_path, required)
    assert counts in said.splitlines()[-1]
    if required:
        assert "skipped, though COLDFILL_BROWSER=required: no Chromium here" in said


def test_a_file_is_one_group_where_workers_share_the_run(request):
    """Otherwise what a module makes for its tests is made once on every worker."""
    if getattr(request.config.option, "loadgroup", False) and hasattr(request.config, "workerinput"):
        assert request.node.nodeid.endswith("@test_strict_skips.py")
