"""A new day is computed when it begins: once, by the clock alone."""

from shutil import copytree

import made_up
import pandas as pd
import pytest

from dashboard import new_day
from schemas.snapshot import current_name, read_manifest


@pytest.fixture
def published(published, tmp_path):
    copytree(published, tmp_path / "published")
    return tmp_path / "published"


def by(published, today):
    manifest = read_manifest(published)
    manifest.station["today"] = today
    (published / current_name(published) / "manifest.json").write_text(manifest.to_json(), encoding="utf-8")
    return manifest.station["time_zone"], pd.Timestamp(manifest.as_of_on)


def test_the_new_day_is_asked_for_at_its_midnight_at_the_station_and_once(published):
    zone, day = by(published, "clock")
    midnight = (day + pd.Timedelta(days=1)).tz_localize(zone).tz_convert("UTC")
    asked, clock = [], [midnight - pd.Timedelta(seconds=1)]
    watching = new_day.Day(published, lambda: clock[0], asked.append)
    assert not watching.look() and asked == []
    clock[0] = midnight
    assert watching.look() and not watching.look() and asked == [published]
    clock[0] = midnight + pd.Timedelta(days=1)  # what the run of yesterday did not publish is asked for again today
    assert watching.look() and len(asked) == 2


@pytest.mark.parametrize("today", ["data", "2031-06-30"])
def test_a_station_whose_day_is_not_the_clocks_is_left_alone(published, today):
    zone, day = by(published, today)
    later = (day + pd.Timedelta(days=9)).tz_localize(zone).tz_convert("UTC")
    assert not new_day.Day(published, lambda: later, pytest.fail).look()


def test_where_nothing_is_published_nothing_is_asked(tmp_path):
    assert not new_day.Day(tmp_path, lambda: made_up.NOW, pytest.fail).look()
