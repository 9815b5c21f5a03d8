"""A viewer gets what the role may see, whatever is asked for; enforced where snapshots are read."""

import pandas as pd
import pytest
from made_up import HOSTILE, ME, OTHER

from dashboard import data, fills
from dashboard.access import (
    ALONE,
    DIVER,
    GRANTS,
    LOCAL_NETWORK,
    MANAGER,
    NAMES,
    OPERATOR,
    ROLES,
    Refused,
    Viewer,
    may_log,
    may_see,
)
from dashboard.app import pages_of
from dashboard.data import open_snapshot
from schemas.holds import still_inside
from schemas.tables import TABLES

BY_MEMBER = [name for name, table in TABLES.items() if table.by_member and not table.internal]
PUBLISHED = [name for name, table in TABLES.items() if not table.internal]


def mentions(frame: pd.DataFrame, name: str) -> bool:
    return any(name in str(value) for column in frame for value in frame[column])


@pytest.mark.parametrize("table", PUBLISHED)
def test_a_diver_never_gets_a_row_that_names_another(published, table):
    mine = open_snapshot(published, Viewer(DIVER, ME))
    if not may_see(mine.viewer, table):
        with pytest.raises(Refused):
            mine.table(table)
        return
    got = mine.table(table)
    assert not mentions(got, OTHER)
    if "member_id" in got and table != "fill_quality":
        assert (got["member_id"] == ME).all() and len(got)


def test_a_diver_gets_the_cylinders_owned_or_held_and_nobody_elses_name():
    """Of six: an own one lent to another, two that the diver holds, another's, and the station's, kept and lent."""
    kept = pd.DataFrame(
        {
            "cylinder_id": ["mine", "borrowed", "hired", "theirs", "station's", "lent to another"],
            "owner_id": [ME, OTHER, "station", OTHER, "station", "station"],
            "held_by": [OTHER, ME, ME, OTHER, "station", OTHER],
        }
    )
    got = data._own(None, "", Viewer(DIVER, ME), "cylinder_health", kept)
    assert got["cylinder_id"].tolist() == ["mine", "borrowed", "hired"]
    assert got["owner_id"].dropna().tolist() == [ME, "station"] and got["held_by"].dropna().tolist() == [ME, ME]


def test_what_was_worked_out_for_one_diver_is_not_handed_to_another(published):
    """Both ask the same question of one snapshot; the manager's answer is not theirs either."""
    for viewer in (Viewer(MANAGER), Viewer(DIVER, ME), Viewer(DIVER, OTHER)):
        snapshot = open_snapshot(published, viewer)
        assert snapshot.once("whose", lambda who=viewer: (who.role, who.member_id)) == (viewer.role, viewer.member_id)


@pytest.mark.parametrize("table", BY_MEMBER)
def test_a_diver_who_asks_for_another_is_refused(published, table):
    mine = open_snapshot(published, Viewer(DIVER, ME))
    with pytest.raises(Refused):
        mine.table(table, member_id=OTHER)
    assert mine.table(table, dive_id=f"{OTHER}-d03").empty


def test_a_diver_who_asks_first_for_all_and_then_for_another_gets_nothing_from_what_is_kept(published):
    alone, mine = open_snapshot(published, Viewer(ALONE)), open_snapshot(published, Viewer(DIVER, ME))
    assert len(alone.table("dive_reserve", member_id=OTHER))
    with pytest.raises(Refused):
        mine.table("dive_reserve", member_id=OTHER)
    theirs = open_snapshot(published, Viewer(DIVER, OTHER))
    assert set(theirs.table("dive_reserve")["member_id"]) == {OTHER}
    assert set(mine.table("dive_reserve")["member_id"]) == {ME}


@pytest.mark.parametrize("member", ["", None])
def test_a_diver_without_a_member_is_nobody(member):
    with pytest.raises(Refused):
        Viewer(DIVER, member)


@pytest.mark.parametrize(
    "member", ["../m-bert", "m-bert/../m-anna", "%", "*", "m-anna' OR '1'='1", "M-BERT", "m-bert ", "all"]
)
def test_a_made_up_member_sees_nothing(published, member):
    crooked = open_snapshot(published, Viewer(DIVER, member))
    for table in PUBLISHED:
        if may_see(crooked.viewer, table) and "member_id" in TABLES[table].fields:
            assert crooked.table(table).empty


def test_a_diver_sees_the_fill_of_an_own_dive_but_not_for_whom_it_was_logged(published):
    mine = open_snapshot(published, Viewer(DIVER, ME))
    fills = mine.table("fill_quality")
    assert "f001" in set(fills["fill_id"])  # logged for another, dived by me
    assert set(fills["member_id"].dropna()) == {ME}
    assert not mentions(fills[fills["member_id"] != ME], HOSTILE)
    assert mine.table("fill_quality", fill_id="f022").empty  # another's fill, not dived by me


def test_a_diver_sees_the_own_files_alone(published):
    mine = open_snapshot(published, Viewer(DIVER, ME))
    for table in ("rejects", "ingest_files", "notices"):
        assert all(f.startswith(f"dives/{ME}/") for f in mine.table(table)["file"])


@pytest.mark.parametrize("table", [t for t in PUBLISHED if GRANTS.get(t, {}).get(LOCAL_NETWORK)])
def test_the_local_network_sees_no_names_and_no_dives(published, table):
    frame = open_snapshot(published, Viewer(LOCAL_NETWORK)).table(table)
    for word in (ME, OTHER, HOSTILE, "Anna", "Cora"):
        assert not mentions(frame, word)
    assert "dive_id" not in frame or frame["dive_id"].isna().all()


def test_the_local_network_cannot_ask_by_name(published):
    phone = open_snapshot(published, Viewer(LOCAL_NETWORK))
    for column in NAMES:
        if column in TABLES["fill_quality"].fields:
            with pytest.raises(Refused):
                phone.table("fill_quality", **{column: OTHER})
    assert phone.names() == {}


@pytest.mark.parametrize("role", [OPERATOR, LOCAL_NETWORK])
@pytest.mark.parametrize("table", [*BY_MEMBER, "reserve_watch", "reserve_reliability"])
def test_dives_are_not_for_the_operator_nor_the_local_network(published, role, table):
    with pytest.raises(Refused):
        open_snapshot(published, Viewer(role)).table(table)


def test_every_published_table_says_who_may_see_it():
    assert set(GRANTS) == set(PUBLISHED)


def test_every_role_has_pages_and_no_other_role_has():
    every = ["filling", "today", "fleet", "divers", "season", "air", "inbox"]
    assert {role: pages_of(role) for role in ROLES} == {
        ALONE: every,
        MANAGER: every,
        OPERATOR: ["filling", "today", "fleet", "air", "inbox"],
        DIVER: ["season", "inbox"],
        LOCAL_NETWORK: ["filling", "today", "fleet"],
    }
    assert not pages_of("") and not pages_of("Manager")


@pytest.mark.parametrize("role", ["", "admin", "Manager", "alone ", None])
def test_without_a_known_role_there_is_nothing(role):
    with pytest.raises(Refused):
        Viewer(role)


def test_what_a_page_does_to_a_frame_does_not_reach_the_next_reader(published):
    manager = open_snapshot(published, Viewer(MANAGER))
    first = manager.table("dive_consumption", member_id=ME)
    first["rmv_l_min"] = 0.0
    first.loc[0, "method"] = "spoiled"
    assert (manager.table("dive_consumption", member_id=ME)["rmv_l_min"] > 0).all()
    assert "spoiled" not in set(manager.table("dive_consumption", member_id=ME)["method"])


def test_what_is_kept_of_one_diver_or_view_is_no_answer_to_another(published):
    """Each asks for the same columns and by the same mask, one after the other."""
    asked = (("fill_id", "member_id", "operator"), fills._INSIDE)
    given = {}
    for viewer in (Viewer(MANAGER), Viewer(LOCAL_NETWORK), Viewer(DIVER, ME), Viewer(DIVER, OTHER)):
        snapshot = open_snapshot(published, viewer)
        given[viewer] = snapshot.table("fill_quality", *asked)
        assert snapshot.once("whose", lambda who=viewer: (who.role, who.member_id)) == (viewer.role, viewer.member_id)
    manager, phone, mine, theirs = given.values()
    assert {ME, OTHER} <= set(manager["member_id"].dropna()) and mentions(manager, HOSTILE)
    assert len(phone) == len(manager) and phone[["member_id", "operator"]].isna().all(axis=None)
    assert set(mine["member_id"].dropna()) <= {ME} and set(theirs["member_id"].dropna()) <= {OTHER}


def test_what_is_asked_in_columns_and_by_mask_is_what_the_whole_table_says(published):
    for viewer in (Viewer(MANAGER), Viewer(LOCAL_NETWORK), Viewer(DIVER, ME)):
        snapshot = open_snapshot(published, viewer)
        whole = snapshot.table("fill_quality")
        some = snapshot.table("fill_quality", ["unit_id", "reasons"], fills._INSIDE)
        assert some.equals(whole.loc[still_inside(whole), ["unit_id", "reasons"]].reset_index(drop=True))
        last = snapshot.latest("dive_consumption", "started_at") if viewer.role != LOCAL_NETWORK else None
        assert last is None or last == snapshot.table("dive_consumption")["started_at"].max()
    assert set(open_snapshot(published, Viewer(MANAGER)).members("dive_consumption")) == {ME, OTHER}
    assert open_snapshot(published, Viewer(DIVER, ME)).members("dive_consumption") == [ME]


def test_marks_of_codes_are_for_who_sees_every_row(published):
    found = open_snapshot(published, Viewer(MANAGER)).table("fill_quality")["reasons"]
    marks = open_snapshot(published, Viewer(LOCAL_NETWORK)).marks("fill_quality", "reasons", ("hot_stop", "no_code"))
    assert marks["hot_stop"].tolist() == ["hot_stop" in codes for codes in found] and not marks["no_code"].any()
    with pytest.raises(Refused):
        open_snapshot(published, Viewer(DIVER, ME)).marks("fill_quality", "reasons", ("hot_stop",))


def test_a_newer_snapshot_is_seen_as_soon_as_the_pointer_turns(tmp_path):
    import made_up

    first = made_up.publish(tmp_path)
    assert open_snapshot(tmp_path, Viewer(ALONE)).name == first.name
    second = made_up.publish(tmp_path, name="2031-07-01T06:00:00.000002")
    assert second.name != first.name and open_snapshot(tmp_path, Viewer(ALONE)).name == second.name


ENTRIES = {
    "stop": {ALONE, OPERATOR, MANAGER},
    "analysis": {ALONE, OPERATOR, MANAGER},
    "settled": {ALONE, OPERATOR, MANAGER},
    "release": {ALONE, OPERATOR, MANAGER},
    "return": {ALONE, OPERATOR, MANAGER},
    "loan": {ALONE, MANAGER},
    "inspection": {ALONE, MANAGER},
    "air_test": {ALONE, MANAGER},
    "compressor": {ALONE, MANAGER},
    "anything else": set(),
}


@pytest.mark.parametrize("kind", ENTRIES)
def test_who_may_log_what_is_as_the_manual_says(kind):
    """At the compressor an operator; what binds the station the manager; a phone by the code what an operator may."""
    members = {role: ME if role == DIVER else None for role in ROLES}
    assert {role for role, member in members.items() if may_log(Viewer(role, member), kind)} == ENTRIES[kind]
    by_code = may_log(Viewer(LOCAL_NETWORK, code_given=True), kind)
    assert by_code == (OPERATOR in ENTRIES[kind])


def test_what_the_station_alone_keeps_no_diver_sees_and_the_local_network_none_of_it():
    """Releases, corrections and what was withdrawn name who did it, and why."""
    for table in ("withdrawn", "hold_releases", "corrections", "runs", "member_logins"):
        assert not may_see(Viewer(DIVER, ME), table), table
    for table in ("withdrawn", "corrections", "dive_reserve", "reserve_watch"):
        assert not may_see(Viewer(LOCAL_NETWORK), table), table
