"""What several files of tests begin with."""

import pytest
import small_station as s


@pytest.fixture(scope="session")
def season_station(tmp_path_factory):
    """The stocked station after its first run; read it or copy it, never change it."""
    station = s.stocked(tmp_path_factory.mktemp("season") / "station")
    s.run(station)
    return station
