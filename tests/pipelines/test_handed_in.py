"""What a member hands in by the page joins own dives alone, whatever the file is called or says."""

import pytest
import small_station as s
from uddf_files import dive, document

from schemas.handed_in import LARGEST_BYTES, NotTaken, hand_in, of_member

OTHERS = "It names another member"


@pytest.fixture
def station(tmp_path):
    station = s.make(tmp_path / "station")
    s.drop(station, "members.csv", s.MEMBERS)
    s.drop(station, "cylinders.csv", s.CYLINDERS)
    return station


def csv_of(*rows):
    return s.text(list(rows)).encode()


def dives_of(station):
    s.take_in(station)
    kept = s.stored(station)["dives"]
    return sorted(zip(kept["member_id"], kept["dive_id"], strict=True))


def test_rows_without_a_member_are_of_who_handed_them_in_and_those_of_another_are_refused(station):
    mine = {k: v for k, v in s.dive(1).items() if k != "member_id"} | {"member_id": ""}
    place = hand_in(station.inbox, "my dives.csv", csv_of(mine, s.dive(2), s.dive(3, "M2")), "M1", "dives")
    assert place.startswith("dives/M1/handed_in/dives-my-dives-") and of_member(place) == "M1"
    assert dives_of(station) == [("M1", "D1"), ("M1", "D2")]
    found = s.open_problems(station)
    assert list(found["rule"]) == ["member_is_another"] and found["message"].iloc[0].startswith(OTHERS)
    assert not any("M2" in str(value) for value in found.to_numpy().ravel())


@pytest.mark.parametrize(
    ("file", "member"),
    [("dives/M1/handed_in/a.csv", "M1"), ("dives\\M1\\handed_in\\a.csv", "M1"), ("dives/M1/computer/a.csv", None),
     ("dives/M1/a.csv", None), ("handed_in/M1/handed_in/a.csv", None), ("dives/M1/handed_in/more/a.csv", None)],
)  # fmt: skip
def test_what_a_member_handed_in_is_known_by_its_place(file, member):
    assert of_member(file) == member


def test_a_layout_of_the_station_lets_nobody_in_either(station):
    station = s.with_settings(
        station, '[layouts.club]\nsource = "dives"\nfiles = ["dives/*"]\n[layouts.club.headers]\nmember_id = "Diver"\n'
    )
    content = csv_of(s.dive(3, "M2")).replace(b"member_id", b"Diver")
    hand_in(station.inbox, "dives.csv", content, "M1")
    assert dives_of(station) == []
    assert "member_is_another" in set(s.open_problems(station)["rule"])


def test_an_export_joins_its_own_member_and_none_else(station):
    for day, owner in enumerate(("nobody known", "M1", "M2"), start=1):
        start = f"<datetime>2026-03-0{day}T10:00:00Z</datetime>"
        hand_in(station.inbox, f"computer {day}.UDDF", document(dive(start=start), owner=owner).encode(), "M1")
    assert dives_of(station) == [("M1", "M1-20260301T100000Z"), ("M1", "M1-20260302T100000Z")]
    refused = s.open_problems(station)
    assert all("computer-3" in file for file in refused["file"])
    assert "names another member" in " ".join(refused["message"])


def test_registers_and_logs_are_not_handed_in_by_members_even_if_the_file_got_there(station):
    with pytest.raises(NotTaken, match="Say what the file holds"):
        hand_in(station.inbox, "withdrawals.csv", b"source\n", "M1")
    s.drop(station, "dives/M1/handed_in/members-x.csv", [{"member_id": "M9", "display_name": "Mallory"}])
    s.take_in(station)
    assert "M9" not in set(s.stored(station)["members"]["member_id"])
    assert "not_handed_in_by_members" in set(s.open_problems(station)["rule"])


@pytest.mark.parametrize(
    "name, content, says",
    [
        ("dives.csv", b"", "empty"),
        ("dives.xlsx", b"PK", ".xlsx is not taken"),
        ("dives", b"x", "without ending"),
        ("dives.csv", bytes(LARGEST_BYTES + 1), "at most 64 MB"),
    ],
    ids=["empty", "workbook", "no ending", "large"],
)
def test_what_is_not_taken_is_said_and_not_written(station, name, content, says):
    before = sorted(station.inbox.rglob("*"))
    with pytest.raises(NotTaken, match=says):
        hand_in(station.inbox, name, content, "M1")
    assert sorted(station.inbox.rglob("*")) == before


@pytest.mark.parametrize("name", ["../../../dives.csv", "dives\x00.csv", "..\\dives;rm.csv", ".dives.csv", "d" * 300])
def test_a_name_leads_nowhere(station, name):
    name = name if name.endswith(".csv") else f"dives{name}.csv"
    place = hand_in(station.inbox, name, csv_of(s.dive(1)), "M1", "dives")
    written = (station.inbox / place).resolve()
    assert written.is_file() and written.parent == (station.inbox / "dives/M1/handed_in").resolve()
    assert not written.name.startswith(".") and len(written.name) < 80


def test_a_member_whose_name_is_a_path_has_no_folder(station):
    for member in ("../M2", "..", ".", "a/b"):
        with pytest.raises(NotTaken, match="no folder"):
            hand_in(station.inbox, "dives.csv", csv_of(s.dive(1)), member)


def test_the_same_file_twice_is_one(station):
    places = {hand_in(station.inbox, "dives.csv", csv_of(s.dive(1)), "M1") for _ in range(2)}
    assert len(places) == 1 and len(list((station.inbox / "dives/M1/handed_in").iterdir())) == 1
