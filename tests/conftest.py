"""What tests of more than one part share: the sample station, computed once, and how a run is laid out.

Users of the sample station are one xdist group, every other file is one of its own (`--dist loadgroup`), so that
what a module makes for its tests is made once. Long groups start first.
"""

import gc
import os
import shutil
import sys
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the command sets it
# some shells ask for no compiled modules to be kept; then each worker and each process a test starts compiles them anew
if sys.dont_write_bytecode:
    os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
    sys.dont_write_bytecode = False

import hypothesis
import pandas as pd
import pytest
from step_results import _kept_results, _new_warehouses, _one_duckdb, kept_step_results
from strict_skips import pytest_make_collect_report, pytest_runtest_makereport

from schemas.snapshot import read_manifest, read_table

# pytest finds its hooks and fixtures here
__all__ = [
    "_kept_results",
    "_new_warehouses",
    "_one_duckdb",
    "kept_step_results",
    "pytest_make_collect_report",
    "pytest_runtest_makereport",
]

# the same examples in every run; `--hypothesis-profile=search` looks for others
hypothesis.settings.register_profile("search", deadline=None)
hypothesis.settings.register_profile("same", deadline=None, derandomize=True)
hypothesis.settings.load_profile("same")

TESTS = Path(__file__).parent
#: files and groups in the order in which they should begin, longest first; the others follow
FIRST = (
    "test_sign_in_browser.py",  # these wait, while others compute
    "sample_station",
    "test_browser.py",
    "test_keeps_station.py",
    "test_accessible.py",
    "test_bad_moments.py",
    "test_withdraw.py",
    "test_logging_browser.py",
    "test_pass.py",
    "test_schedule.py",
    "test_incremental.py",
    "test_keyboard.py",
    "test_fill_verdict.py",
    "test_unknown_residue.py",
    "test_first_look.py",
    "test_new_fills.py",
    "test_fills_again.py",
    "test_build_fills.py",
    "test_logging.py",
    "test_damage.py",
    "test_any_rows.py",
    "test_rows_that_break.py",
    "test_small_but_costly.py",
    "test_dive_accuracy.py",
    "test_forget.py",
    "test_layout_change.py",
    "test_intake_order.py",
    "test_trend_seasons.py",
    "test_disk_faults.py",
    "test_withdraw_commands.py",
    "test_build_dives.py",
    "test_examine.py",
    "test_settling_soak.py",
    "test_pages.py",
    "test_air.py",
    "test_copying_runs.py",
    "test_workers.py",
    "test_build_reserve.py",
)


#: a file system in memory, and how much room of it a run of all tests may need, bytes
IN_MEMORY, ROOM = Path("/dev/shm"), 8 * 2**30


def _where_writing_waits_for_no_disk() -> str | None:
    """Each station is written to the disk for good several times a run, and tests run thousands."""
    roomy = IN_MEMORY.is_dir() and os.access(IN_MEMORY, os.W_OK) and shutil.disk_usage(IN_MEMORY).free > ROOM
    return str(IN_MEMORY) if roomy else None


@pytest.hookimpl(tryfirst=True)  # before pytest decides where temporary folders lie
def pytest_configure(config):
    if not config.option.basetemp and (place := _where_writing_waits_for_no_disk()):
        os.environ.setdefault("PYTEST_DEBUG_TEMPROOT", place)
    gc.disable()  # what is imported and collected stays: looking through it again and again is a quarter of the time
    config.addinivalue_line("markers", "xdist_group(name): tests of one group run on one worker")  # also without xdist
    config.option.loadscopereorder = False  # by number of tests; ours is by time


def pytest_collection_finish(session):
    gc.freeze()
    gc.set_threshold(20_000, 20, 20)  # frames are many small objects, and hardly any of them is part of a ring
    gc.enable()


def _group(item) -> str:
    return "sample_station" if "sample_station" in item.fixturenames else item.path.name


#: marks of tests that nobody needs at every change; CI runs them
ASKED_FOR = ("once", "soak")


def _left_out(config, item) -> bool:
    """Whether a test has such a mark and is not asked for by it, nor by its file or folder."""
    unasked = any(mark in item.keywords and mark not in config.option.markexpr for mark in ASKED_FOR)
    named = {(config.invocation_params.dir / arg.split("::")[0]).resolve() for arg in config.args}
    inside = {path for path in (item.path, *item.path.parents) if TESTS in path.parents}
    return unasked and not named & inside


#: what computes or simulates stations, opens pages or starts programs: tests whose module takes something from these,
#: or that ask for these fixtures, are not of the quick part
TAKES_LONG = (
    *("small_station", "refresh_station", "sample_data.make", "fill_frames"),
    *("dive_simulator", "fill_station_sim", "diver_seasons", "leak_seasons"),
    *("made_up", "browsing", "streamlit.testing.v1", "subprocess"),
)
STATIONS = {"sample_station", "season_station", "served", "watched"}


def _is_quick(item) -> bool:
    taken = {name for v in vars(item.module).values() for name in (_name_of(v), getattr(v, "__module__", None))}
    return not (taken & {*TAKES_LONG} or STATIONS & {*item.fixturenames} or {"browser", *ASKED_FOR} & {*item.keywords})


def _name_of(value: object) -> str:
    return getattr(value, "__name__", "") if isinstance(value, ModuleType) else ""


@pytest.hookimpl(tryfirst=True)  # before xdist, which reads the groups in the same hook
def pytest_collection_modifyitems(config, items):
    for item in items:
        item.add_marker(pytest.mark.xdist_group(_group(item)))
        if _is_quick(item):
            item.add_marker(pytest.mark.quick)
    place = {name: n for n, name in enumerate(FIRST)}
    items.sort(key=lambda item: place.get(_group(item), len(FIRST)))
    left_out = [item for item in items if _left_out(config, item)]
    if left_out:
        config.hook.pytest_deselected(items=left_out)
        items[:] = [item for item in items if item not in left_out]


#: the sample and the small stations lie before this; a machine whose clock is behind is taken to be here
NOT_BEFORE = pd.Timestamp("2026-12-01", tz="UTC")


@pytest.fixture(autouse=True, scope="session")
def a_clock_that_is_not_behind():
    """What tests made happened before they run, whatever the machine's clock says."""
    from pipelines.station import clock

    behind = max(NOT_BEFORE - pd.Timestamp.now(tz="UTC"), pd.Timedelta(0))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(clock, "now", lambda: (pd.Timestamp.now(tz="UTC") + behind).as_unit("us"))
        yield


@dataclass(frozen=True)
class Computed:
    """A station after a run; read it, never change it."""

    folder: Path

    @property
    def published(self) -> Path:
        return self.folder / "published"

    def table(self, name: str) -> pd.DataFrame:
        """A published table."""
        return read_table(self.published, read_manifest(self.published), name)


@pytest.fixture(scope="session")
def sample_station(tmp_path_factory) -> Computed:
    """The sample station, taken in and published."""
    from pipelines.cli.demo import make_demo
    from pipelines.refresh.run import run_pass

    folder = tmp_path_factory.mktemp("sample") / "station"
    run_pass(make_demo(folder))
    return Computed(folder)
