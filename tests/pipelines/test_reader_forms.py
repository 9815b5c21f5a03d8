"""A form of file with several sources is declared once: its rows then come in, in any order of files, like others."""

import json

import pandas as pd
import small_station as s

from pipelines.readers import forms
from pipelines.readers.raw import RawTable
from schemas.frames import conform
from schemas.sources import SOURCES


def read_json(path, station, known, member, workplace, own_alone):
    """A dive and its tanks in JSON."""
    assert not own_alone and known.members == {"M1", "M2"} and station.time_zone == "UTC" and workplace.is_dir()
    for source, rows in json.loads(path.read_text(encoding="utf-8")).items():
        frame = pd.DataFrame(rows).assign(member_id=member)
        typed = conform(frame, SOURCES[source].fields.values())
        for name in ("assumed", "value_flags"):
            typed[name] = [[] for _ in rows]
        typed["row_number"] = typed["line"] = range(1, len(rows) + 1)
        yield RawTable(source, typed, rows_read=len(rows))


def test_a_new_form_is_one_entry(tmp_path, monkeypatch):
    form = forms.Form("one_dive", ".dive", ("dives", "dive_tanks"), f"{__name__}:read_json")
    monkeypatch.setitem(forms.FORMS, "one_dive", form)
    station = s.make(tmp_path)
    # the registers come after it and are saved later: it still is read when the names are known
    s.drop(station, "dives/M1/first.DIVE", json.dumps({"dives": [s.dive(2)], "dive_tanks": [s.tank(2)]}))
    s.drop(station, "members.csv", s.MEMBERS, 5)
    s.drop(station, "cylinders.csv", s.CYLINDERS, 6)
    result = s.take_in(station)
    assert (result.refused, result.rows_rejected) == (0, 0)
    stored = s.stored(station)
    assert stored["dives"]["dive_id"].tolist() == stored["dive_tanks"]["dive_id"].tolist() == ["D2"]
    assert s.files(station).loc["dives/M1/first.DIVE", "source"] == "one_dive"
    assert forms.sources_in("one_dive") == ("dives", "dive_tanks") and forms.sources_in("fills") == ("fills",)
