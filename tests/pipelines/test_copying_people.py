"""What a copy that tells of nobody holds, over the whole sample station: nothing in any value leads to a person."""

import json
import os
import re
import shutil
from dataclasses import asdict, replace

import pandas as pd
import pyarrow as pa
import pytest

from pipelines.publish import copying
from pipelines.publish.copy_note import NOTE, read_note
from pipelines.publish.copying import copy_out
from pipelines.station.keeping import Copying
from pipelines.station.settings import load_station
from schemas.analysis import open_station
from schemas.copied_tables import NOBODY, without_people

NOW = pd.Timestamp("2031-06-30T12:00", tz="UTC")


@pytest.fixture(scope="module")
def station(sample_station, tmp_path_factory):
    """The sample station, of which a copy may be noted: what is published there is the same files."""
    folder = tmp_path_factory.mktemp("people") / "station"
    folder.mkdir()
    shutil.copy2(sample_station.folder / "station.toml", folder)
    shutil.copytree(sample_station.published, folder / "published", copy_function=os.link)
    made = load_station(folder)
    return replace(made, copying=Copying(to=f"file://{folder.parent / 'far'}", people=NOBODY))


@pytest.fixture(scope="module")
def far(station):
    assert not copy_out(station, lambda: NOW).wrong
    return open_station(station.copying.to)


def _words_of(frames) -> set[str]:
    """Every word, and every text as a whole, in any value: lists and text are looked into."""
    found = set()
    for frame in frames:
        for column in frame.select_dtypes(exclude="number"):
            for value in frame[column].dropna().map(str).unique():
                found |= {value, *re.split(r"[^\w@.-]+", value)}
    return found


def test_no_value_holds_a_member_a_name_a_login_or_a_dive(sample_station, station, far):
    members = pd.read_csv(sample_station.folder / "inbox" / "members.csv", dtype=str)
    fills = sample_station.table("fill_quality")
    dives = sample_station.table("dive_consumption")
    people = {v for c in ("member_id", "display_name", "email") for v in members[c].dropna()}
    people |= {str(v) for c in ("operator", "analysed_by", "member_id") for v in fills[c].dropna()}
    people |= {str(v) for v in sample_station.table("hold_releases")["released_by"].dropna()}
    life = sample_station.table("cylinder_life")
    assert len(people) > 10 and life["code"].isin(people).any() and life["event"].eq("dived").any()
    held = _words_of(far.table(t) for t in far.tables)
    assert held & people == set()
    assert held & set(dives["dive_id"]) == set()
    assert held & {str(v) for v in dives["started_at"]} - {str(v) for v in fills["filled_at"]} == set()
    listing = next((station.folder.parent / "far" / "copies").glob("*.json")).read_text()
    assert [p for p in people if re.search(rf"\b{re.escape(p)}\b", listing)] == []


def test_the_rest_of_a_cylinders_life_is_told(sample_station, far):
    here, there = sample_station.table("cylinder_life"), far.table("cylinder_life")
    kept = here["event"].ne("dived") & (here["fill_id"].notna() | ~here["event"].isin(["interval", "unexplained_use"]))
    assert there["event"].value_counts().to_dict() == here.loc[kept, "event"].value_counts().to_dict()
    looked_at = there["event"].str.startswith("inspected")
    assert there.loc[looked_at, "code"].notna().all() and there.loc[there["event"] == "lent", "code"].isna().all()
    assert list(there.columns) == [c for c in here.columns if c != "dive_id"]


def test_an_event_nobody_thought_of_is_not_told():
    life = pa.table({"event": ["filled", "borrowed_by"], "fill_id": ["F1", None], "code": ["M1", "M1"]})
    assert without_people(life).to_pylist() == [{"event": "filled", "fill_id": "F1", "code": None}]
    assert without_people(life.drop_columns("fill_id")).num_rows == 0


def test_what_was_copied_under_earlier_rules_is_copied_anew_and_nothing_of_it_stays(station, monkeypatch):
    to = station.folder.parent / "earlier"
    station = replace(station, copying=Copying(to=f"file://{to}", people=NOBODY))
    with monkeypatch.context() as before:
        before.setattr(copying, "thinned", lambda *_: False)
        before.setattr(copying, "RULES", 0)
        copy_out(station, lambda: NOW)
    (station.published / NOTE).write_text(
        json.dumps({k: v for k, v in asdict(read_note(station.published)).items() if k != "rules"})
    )  # as an earlier version wrote it
    (old,) = (to / "copies").glob("*.json")
    assert open_station(f"file://{to}").table("cylinder_life")["event"].eq("dived").any()
    assert not copy_out(station, lambda: NOW).wrong
    assert not old.exists() and len(list((to / "copies").glob("*.json"))) == 1
    assert not open_station(f"file://{to}").table("cylinder_life")["event"].eq("dived").any()
    assert not copy_out(station, lambda: NOW).files
