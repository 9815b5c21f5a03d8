"""What several files of tests begin with."""

import contextlib

import pytest
import small_station as s

from schemas.frames import texts_of

#: files whose tests hand frames of few rows to builders themselves
OF_FEW_ROWS = {
    "test_air.py",
    "test_build_divers.py",
    "test_build_dives.py",
    "test_build_fills.py",
    "test_build_leaks.py",
    "test_build_reserve.py",
    "test_build_units.py",
    "test_dive_links.py",
    "test_doubtful_readings.py",
    "test_fill_mixes.py",
    "test_fill_verdict.py",
    "test_fleet.py",
    "test_gas_added.py",
    "test_plan.py",
    "test_readings_apart.py",
    "test_settling_record.py",
    "test_tank_suggestions.py",
    "test_unknown_residue.py",
    "test_unknown_widens.py",
}


@pytest.fixture(autouse=True, scope="module")
def texts_as_in_a_run(request):
    """Builders get few rows as a run hands them, which takes a quarter less; how it hands many, the sample station and
    the tests of many fills see.
    """
    with texts_of(0) if request.path.name in OF_FEW_ROWS else contextlib.nullcontext():
        yield


@pytest.fixture(scope="session")
def season_station(tmp_path_factory):
    """The stocked station after its first run; read it or copy it, never change it."""
    station = s.stocked(tmp_path_factory.mktemp("season") / "station")
    s.run(station)
    return station
