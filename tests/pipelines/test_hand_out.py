"""All that is kept of one member goes into files for that person, and nothing of anybody else."""

import pandas as pd
import pytest
import small_station as s

from pipelines.refresh.hand_out import hand_out
from pipelines.warehouse.person import NobodyKnown
from schemas.snapshot import read_manifest, read_table


@pytest.fixture(scope="module")
def station(tmp_path_factory):
    """Two members' dives, each in a file of their own; registers and fills in shared ones; a correction."""
    made = s.make(tmp_path_factory.mktemp("hand-out"))
    s.drop(made, "members.csv", [s.MEMBERS[0] | {"email": "ines@quay.example"}, s.MEMBERS[1]])
    s.drop(made, "cylinders.csv", [*s.CYLINDERS, s.CYLINDERS[0] | {"cylinder_id": "C9", "owner_id": "M1"}])
    s.drop(made, "fills.csv", [s.fill(1, member_id="M1"), s.fill(2, member_id="M2"), s.fill(4)])
    for member, number in (("M1", 2), ("M2", 3)):
        s.drop(made, f"dives/{member}/dives.csv", [s.dive(number, member)])
        s.drop(made, f"dives/{member}/dive_tanks.csv", [s.tank(number, member)])
        s.drop(made, f"dives/{member}/dive_samples.csv", s.samples(number, member))
    s.drop(made, "dives/M1/dives-corrected.csv", [s.dive(2, "M1", water_c="7")], 9)
    # a row that cannot be read may be anybody's
    s.drop(made, "dives/M1/dives-more.csv", [s.dive(8, "M1"), s.dive(9, "M1", started_at="yesterday", suit="Jon's")], 9)
    s.drop(made, "dives/M1/dive_samples-early.csv", s.samples(9, "M1"))  # of a dive that is not known: they wait
    s.run(made)
    return made


@pytest.fixture(scope="module")
def given(station, tmp_path_factory):
    to = tmp_path_factory.mktemp("given") / "of M1"
    return to, hand_out(station, "M1", to)


def test_every_row_that_names_the_member_is_there_also_those_that_no_longer_count(given):
    to, made = given
    rows = {p.stem: pd.read_csv(p, dtype=str) for p in (to / "as it came in").glob("*.csv")}
    assert set(rows) == {"members", "cylinders", "fills", "dives", "dive_tanks", "dive_samples"}
    assert list(rows["members"]["email"]) == ["ines@quay.example"] and list(rows["cylinders"]["cylinder_id"]) == ["C9"]
    of_two = rows["dives"][rows["dives"]["dive_id"] == "D2"]
    assert sorted(of_two["water_c"].astype(float)) == [7.0, 9.0]
    assert sorted(of_two["state"]) == ["current", "superseded"]
    assert len(rows["dive_samples"]) == len(s.samples(2)) + len(s.samples(9)) == made.rows["dive_samples"]


def test_figures_are_the_published_rows_of_the_member(station, given):
    to, made = given
    manifest = read_manifest(station.published)
    for name, count in made.figures.items():
        frame = read_table(station.published, manifest, name)
        named = [c for c in ("member_id", "held_by", "owner_id") if c in frame]
        assert (
            count == int((frame[named] == "M1").any(axis=1).sum()) == len(pd.read_csv(to / "computed" / f"{name}.csv"))
        )
    assert {"fill_quality", "dive_consumption", "consumption_trend", "people", "cylinder_health"} <= made.figures.keys()


def test_files_that_name_others_are_not_given_and_said(given):
    to, made = given
    copies = [p for p in (to / "original files").rglob("*") if p.is_file()]
    assert sorted(made.originals) == sorted(
        f"dives/M1/{name}.csv" for name in ("dives", "dives-corrected", "dive_tanks", "dive_samples")
    )
    assert len(copies) == 4
    assert any("fills.csv, for not every row of it is known to be this member's" in line for line in made.lines())
    whole = b"".join(p.read_bytes() for p in to.rglob("*") if p.is_file())
    assert b"Jon Alder" not in whole and b"M2" not in whole.replace(b"PM2", b"")
    assert "fills.csv, for not every row of it is known to be this member's" in (to / "what is here.txt").read_text(
        encoding="utf-8"
    )


def test_nobody_a_full_folder_and_a_second_time_are_refused_and_write_nothing(station, given, tmp_path):
    with pytest.raises(NobodyKnown, match="'m1'"):
        hand_out(station, "m1", tmp_path / "new")
    assert not (tmp_path / "new").exists()
    with pytest.raises(FileExistsError, match="not empty"):
        hand_out(station, "M1", given[0])
