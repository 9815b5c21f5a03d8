"""A run publishes who may sign in without publishing an address."""

import pandas as pd

from pipelines.publish.export import export_tables
from pipelines.refresh.put_out import station_facts
from pipelines.station.settings import load_station
from schemas.snapshot import read_manifest


def test_no_address_is_published_in_clear(sample_station):
    published = load_station(sample_station.folder).published
    manifest = read_manifest(published)
    assert "@" not in manifest.to_json()
    parts = manifest.tables["member_logins"].values()
    rows = pd.concat(pd.read_parquet(published / manifest.name / "member_logins" / p.file) for p in parts)
    assert list(rows.columns) == ["member_id", "address_hash"]
    assert rows["address_hash"].str.fullmatch("[0-9a-f]{64}").all()


def test_logins_are_not_exported(sample_station, tmp_path):
    export_tables(load_station(sample_station.folder).published, tmp_path, "csv")
    assert not list(tmp_path.glob("member_logins*"))


def test_roles_are_read_where_they_stand_and_never_published(tmp_path):
    from pipelines.station.settings import write_station

    write_station(tmp_path / "station")
    settings = tmp_path / "station" / "station.toml"
    settings.write_text(settings.read_text(encoding="utf-8") + '\n[roles]\nmanager = ["boss@weir.example"]\n', "utf-8")
    assert "weir" not in str(station_facts(load_station(tmp_path / "station")))
