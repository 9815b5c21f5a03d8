"""Start-up beside the bare libraries a command stands on, in the same run."""

import subprocess
import sys
import time

import pytest

pytestmark = pytest.mark.once

CASES = {
    "help": (["-m", "pipelines.cli", "--help"], "import typer.main, typer.rich_utils"),
    "gas settle": (
        ["-m", "pipelines.cli", "gas", "settle", "--pressure-bar", "300", "--from-c", "45", "--to-c", "15"],
        "import typer.main, typer.rich_utils, numpy, pyaga8",
    ),
}


def _best_s(words: list[str]) -> float:
    best = 9e9
    for _ in range(5):
        began = time.perf_counter()
        subprocess.run([sys.executable, *words], capture_output=True, check=True)
        best = min(best, time.perf_counter() - began)
    return best


@pytest.mark.parametrize("name", CASES)
def test_a_command_starts_about_as_soon_as_its_libraries(name, measured):
    words, bare = CASES[name]
    ours_s, bare_s = _best_s(words), _best_s(["-c", bare])
    measured(f"coldfill {name}, whole command", ours_s, "its libraries' imports", bare_s, "2")
    assert ours_s < 2.0 * bare_s
