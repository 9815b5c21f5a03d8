"""What the benchmarks measure, as one table at the end of the run.

`pytest -m once tests/bench` prints it; with COLDFILL_SOAK=full at the sizes of a large station. Ours and what stands
beside it are measured in the same run, on the same data; a goal is what we are after, never what a test holds.
"""

from dataclasses import dataclass

import pytest


@dataclass(frozen=True)
class Row:
    """A line of the table: `ours` and `beside` in seconds."""

    work: str
    ours: float
    against: str
    beside: float
    goal: str


ROWS: list[Row] = []


@pytest.fixture
def measured():
    """measured(work, seconds, what stands beside it, its seconds, goal)."""
    return lambda work, ours, against, beside, goal="": ROWS.append(Row(work, ours, against, beside, goal))


def pytest_terminal_summary(terminalreporter):
    if not ROWS:
        return
    terminalreporter.section("beside bare libraries")
    terminalreporter.write_line(f"{'work':64} {'ours':>9}  {'beside it':50} {'':>9} {'times':>6}  goal")
    for r in ROWS:
        times = f"{r.ours / r.beside:6.1f}" if r.beside else "     -"
        terminalreporter.write_line(f"{r.work:64} {_s(r.ours)}  {r.against:50} {_s(r.beside)} {times}  {r.goal}")


def _s(seconds: float) -> str:
    if not seconds:
        return f"{'-':>9}"
    return f"{1e3 * seconds:6.1f} ms" if seconds < 1 else f"{seconds:7.2f} s"
