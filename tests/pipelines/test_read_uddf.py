"""UDDF of every version and spelling becomes the same dives, tanks and samples."""

from pathlib import Path

import pandas as pd
import pytest

from tests.pipelines.uddf_files import MIX, SAMPLES, START, TANK, TANKDATA, dive, document, in_namespace, read, waypoint

TWO_DIVES = (Path(__file__).parent / "data" / "two_dives.uddf").read_text(encoding="utf-8")


def test_an_invented_log_of_two_dives_is_read_to_the_figure(tmp_path):
    """Made by hand from the element descriptions of the UDDF specification 3.2.x, chapters 6, 7 and 9."""
    found = read(tmp_path, TWO_DIVES, members=("own-17",))
    assert found.rules == []
    assert [found.counts(s) for s in ("dives", "dive_tanks", "dive_samples")] == [(2, 2, 0), (4, 4, 0), (7, 7, 0)]
    dives, tanks, samples = (found.rows(s) for s in ("dives", "dive_tanks", "dive_samples"))
    assert dives["started_at"].tolist() == [
        pd.Timestamp("2031-04-03 07:12:30", tz="UTC"),
        pd.Timestamp("2031-04-03 10:40", tz="UTC"),
    ]
    assert dives["member_id"].tolist() == ["own-17"] * 2
    assert dives["air_c"].tolist()[0] == pytest.approx(14.05)
    assert dives["surface_pressure_bar_abs"].tolist()[0] == pytest.approx(1.018)
    assert dives["water"].tolist() == ["salt", "salt"]
    assert tanks["water_capacity_l"].tolist() == pytest.approx([24, 1.5, 24, 1.5])
    assert tanks["role"].tolist() == ["back", "suit", "back", "suit"]
    assert tanks["tank_no"].tolist() == [1, 2, 1, 2]
    assert tanks["start_pressure_bar"].tolist() == pytest.approx([215, 150, 208, 110])
    assert tanks["end_pressure_bar"].tolist()[:3] == pytest.approx([124, 112, 149])
    assert pd.isna(tanks["end_pressure_bar"].iloc[3])
    assert tanks["o2_pct"].tolist() == pytest.approx([31.2, 21, 31.2, 21])
    assert samples["t_s"].tolist() == [0, 240, 1500, 2700, 0, 180, 2400]
    assert samples["water_c"].tolist()[:2] == pytest.approx([10.45, 8.25])
    assert samples["water_c"].isna().tolist() == [False, False, True, True, True, True, True]
    assert samples["tank_1_bar"].tolist() == pytest.approx([215, 203, 156, 124, 208, 201, 149])
    assert samples["row_number"].tolist() == list(range(1, 8))


def test_lines_are_those_of_the_file(tmp_path):
    found = read(tmp_path, TWO_DIVES, members=("own-17",))
    lines = TWO_DIVES.splitlines()
    assert "<waypoint>" in lines[found.rows("dive_samples")["line"].iloc[0] - 1]
    assert '<dive id="dv-302">' in lines[found.rows("dives")["line"].iloc[1] - 1]


@pytest.mark.parametrize("prefix", ["", "u"])
def test_a_namespace_changes_nothing(tmp_path, prefix):
    plain, named = read(tmp_path, document(dive())), read(tmp_path, in_namespace(document(dive()), prefix))
    for source in ("dives", "dive_tanks", "dive_samples"):
        pd.testing.assert_frame_equal(plain.rows(source), named.rows(source))


def test_elements_of_another_namespace_are_not_ours(tmp_path):
    strange = '<x:waypoint xmlns:x="urn:other"><x:depth>99</x:depth><x:divetime>5</x:divetime></x:waypoint>'
    found = read(tmp_path, document(dive(samples=SAMPLES.replace("</waypoint>", "</waypoint>" + strange, 1))))
    assert found.counts("dive_samples") == (3, 3, 0)


@pytest.mark.parametrize(
    ("start", "utc"),
    [
        ("<datetime>2031-05-20T10:00:00Z</datetime>", "10:00"),
        ("<datetime>2031-05-20T12:00+02:00</datetime>", "10:00"),
        ("<datetime>20310520T1200+0200</datetime>", "10:00"),
        ("<datetime>2031-05-20 11:00</datetime>", "10:00"),
        ("<datetime>20310520T110000</datetime>", "10:00"),
        (
            "<date><year>2031</year><month>5</month><day>20</day></date><time><hour>11</hour><minute>0</minute></time>",
            "10:00",
        ),
    ],
)
def test_every_way_to_write_the_start_is_read(tmp_path, start, utc):
    found = read(tmp_path, document(dive(start=start)), settings="[station]\ntime_zone = 'Europe/London'")
    assert found.rows("dives")["started_at"].tolist() == [pd.Timestamp(f"2031-05-20 {utc}", tz="UTC")]
    assert ("zone_assumed" in found.notes) == ("Z" not in start and "+" not in start)


def test_a_start_without_zone_takes_the_uddf_zone_before_the_stations(tmp_path):
    found = read(
        tmp_path, document(dive(start="<datetime>2031-05-20T19:00</datetime>")), settings="[uddf]\nzone = 'Asia/Tokyo'"
    )
    assert found.rows("dives")["started_at"].tolist() == [pd.Timestamp("2031-05-20 10:00", tz="UTC")]


@pytest.mark.parametrize(
    ("start", "flag"),
    [("2031-10-26T01:30", "time_ambiguous"), ("2031-03-30T01:30", "time_not_existing"), ("2031-05-20T01:30", None)],
)
def test_hours_that_came_twice_or_never_are_flagged(tmp_path, start, flag):
    found = read(
        tmp_path,
        document(dive(start=f"<datetime>{start}</datetime>")),
        settings="[station]\ntime_zone = 'Europe/London'",
    )
    assert found.rows("dives")["value_flags"].tolist() == [[flag] if flag else []]


VERSION_2 = f"""<uddf version="2.2.0"><generator><name>x</name></generator>
<diver><owner id="M-03"><equipment>{TANK}
 <tank id="t2"><aliasname>suit</aliasname><tankvolume>0.002</tankvolume></tank></equipment></owner></diver>
<gasdefinitions>{MIX}
 <tankdata id="td1"><mixref ref="m32"/><tankref ref="t1"/>
  <tankpressurebegin>21000000.0</tankpressurebegin><tankpressureend>9000000.0</tankpressureend></tankdata>
 <tankdata id="td2"><mixref ref="m32"/><tankref ref="t2"/>
  <tankpressurebegin>12000000.0</tankpressurebegin></tankdata></gasdefinitions>
<profiledata><repetitiongroup><dive id="d1">
 <date><year>2031</year><month>5</month><day>20</day></date><time><hour>11</hour><minute>0</minute></time>
 <density>1000.0</density><equipmentused><tankdataref ref="td1"/><tankdataref ref="td2"/></equipmentused>
 <samples>{SAMPLES}</samples></dive></repetitiongroup></profiledata></uddf>"""


def test_version_2_keeps_its_tank_data_among_the_gases(tmp_path):
    found = read(tmp_path, VERSION_2, settings="[station]\ntime_zone = 'Europe/London'")
    assert found.rules == []
    tanks = found.rows("dive_tanks")
    assert tanks["role"].tolist() == ["back", "suit"]
    assert tanks["start_pressure_bar"].tolist() == pytest.approx([210, 120])
    assert found.rows("dives")["water"].tolist() == ["fresh"]
    assert found.rows("dive_samples")["tank_1_bar"].tolist()[1:] == pytest.approx([200, 190])


@pytest.mark.parametrize(
    ("density", "water"), [("1000", "fresh"), ("1010", "fresh"), ("1012", None), ("1015", "salt"), ("1030", "salt")]
)
def test_water_between_fresh_and_salt_is_not_known(tmp_path, density, water):
    found = read(tmp_path, document(dive(before=f"<density>{density}</density>")))
    assert found.rules == [] and found.rows("dives")["water"].fillna("none").tolist() == [water or "none"]


@pytest.mark.parametrize("attribute", ["ref", "tankref"])
def test_both_spellings_of_a_tank_reference_are_read(tmp_path, attribute):
    found = read(
        tmp_path, document(dive(samples=SAMPLES.replace('tankpressure ref="t1"', f'tankpressure {attribute}="t1"')))
    )
    assert found.rules == []
    assert found.rows("dive_samples")["tank_1_bar"].tolist()[1:] == pytest.approx([200, 190])


def test_a_reading_may_name_the_tankdata_or_nothing_when_there_is_one_tank(tmp_path):
    named = TANKDATA.replace("<tankdata>", '<tankdata id="td">')
    for change in ('ref="td"', ""):
        found = read(tmp_path, document(dive(tanks=named, samples=SAMPLES.replace('ref="t1"', change))))
        assert found.rules == []
        assert found.rows("dive_samples")["tank_1_bar"].tolist()[1:] == pytest.approx([200, 190])


def test_definitions_after_the_dives_are_found_all_the_same(tmp_path):
    text = document(dive(), dive("d2", start=START.replace("10:00:00", "14:00:00")))
    head, tail = text.index("<gasdefinitions>"), text.index("</gasdefinitions>") + len("</gasdefinitions>\n")
    late = text[:head] + text[tail:].replace("</uddf>", text[head:tail] + "</uddf>")
    for source in ("dives", "dive_tanks", "dive_samples"):
        pd.testing.assert_frame_equal(
            read(tmp_path, text).rows(source).drop(columns="line"),
            read(tmp_path, late).rows(source).drop(columns="line"),
        )


def test_private_data_and_tables_are_not_dives(tmp_path):
    hidden = dive("hidden")
    text = document(dive()).replace("</uddf>", f"<tablegeneration>{hidden}</tablegeneration></uddf>")
    text = text.replace(
        "<informationafterdive>", f"<applicationdata>{hidden}</applicationdata><informationafterdive>", 1
    )
    assert read(tmp_path, text).counts("dives") == (1, 1, 0)


# --- whose dives ------------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("owner", "members", "links", "in_folder", "expected"),
    [
        ("M-03", ("M-03",), (), None, "M-03"),
        ("own", ("M-03",), (("own", "member", "M-05", None),), None, "M-05"),
        ("M-03", ("M-03",), (("M-03", "member", "M-05", None),), "M-09", "M-05"),
        ("M-03", ("M-03",), (), "M-09", "M-03"),
        ("own", ("M-03",), (), "M-09", "M-09"),
    ],
)
def test_the_member_comes_from_links_then_the_name_then_the_folder(
    tmp_path, owner, members, links, in_folder, expected
):
    found = read(tmp_path, document(dive(), owner=owner), members=members, links=links, in_folder=in_folder)
    assert found.rows("dives")["member_id"].tolist() == [expected]
    assert found.rows("dive_samples")["member_id"].unique().tolist() == [expected]
    assert found.rows("dives")["dive_id"].tolist() == [f"{expected}-20310520T100000Z"]


def test_an_unknown_owner_rejects_the_dives_and_says_how_to_place_them(tmp_path):
    found = read(tmp_path, document(dive(), owner="own"))
    assert found.rules == ["uddf_no_member", "uddf_dive_rejected", "uddf_dive_rejected"]
    assert [found.counts(s) for s in ("dives", "dive_tanks", "dive_samples")] == [(1, 0, 1), (1, 0, 1), (3, 0, 3)]
    assert found.problems[0].value == "own"
    assert "dives/MEMBER_ID/" in found.problems[0].fix


def test_links_name_dives_and_cylinders_also_for_one_member_alone(tmp_path):
    links = [("d1", "dive", "theirs", "M-09"), ("d1", "dive", "ours", "M-03"), ("t1", "cylinder", "C-07", None)]
    found = read(tmp_path, document(dive()), links=links)
    assert found.rows("dives")["dive_id"].tolist() == ["ours"]
    assert found.rows("dive_samples")["dive_id"].unique().tolist() == ["ours"]
    assert found.rows("dive_tanks")["unit_id"].tolist() == ["C-07"]


def test_a_tank_of_the_name_of_a_unit_is_that_unit(tmp_path):
    assert read(tmp_path, document(dive()), units=("t1",)).rows("dive_tanks")["unit_id"].tolist() == ["t1"]
    assert read(tmp_path, document(dive())).rows("dive_tanks")["unit_id"].isna().all()


def test_two_owners_each_have_the_dives_that_name_them(tmp_path):
    text = document(
        dive("d1", before='<link ref="M-03"/>'),
        dive("d2", before='<link ref="M-05"/>'),
        dive("d3", start=START.replace("10:", "15:")),
    )
    text = text.replace("<diver>", '<diver><owner id="M-05"/>')
    found = read(tmp_path, text, members=("M-03", "M-05"))
    assert found.rows("dives")["member_id"].tolist() == ["M-03", "M-05"]
    assert "uddf_no_member" in found.rules


# --- tanks, roles, gases ----------------------------------------------------------------------
def test_a_role_comes_from_the_settings_then_the_alias_then_a_lone_tank_is_back(tmp_path):
    tanks = '<tank id="t1"/><tank id="t2"><aliasname>Stage</aliasname></tank><tank id="t3"><name>yellow</name></tank>'
    three = "".join(TANKDATA.replace("t1", t) for t in ("t1", "t2", "t3"))
    found = read(tmp_path, document(dive(tanks=three), tanks=tanks), settings='[uddf.roles]\n"yellow" = "suit"')
    assert found.rows("dive_tanks")[["tank_no", "role"]].to_numpy().tolist() == [[2, "stage"], [3, "suit"]]
    assert [(p.rule, p.row_number) for p in found.problems] == [("uddf_role_unknown", 1)]
    assert found.rows("dives")["value_flags"].tolist() == [["tank_rejected"]]
    alone = read(tmp_path, document(dive(), tanks='<tank id="t1"/>'))
    assert alone.rows("dive_tanks")["role"].tolist() == ["back"]


@pytest.mark.parametrize(
    ("mix", "expected"),
    [
        ("<o2>0.21</o2><n2>0.44</n2><he>0.35</he>", (21, 35, None)),
        ("<o2>0.18</o2><n2>0.0</n2><he>0.0</he><ar>0.82</ar>", (18, 0, 82)),
        ("<o2>0.32</o2><n2>0.68</n2>", (32, 0, None)),
        ("<o2>1.0</o2>", (100, 0, None)),
        ("<o2>0.32</o2>", (32, None, None)),
    ],
)
def test_fractions_become_per_cent_and_helium_is_zero_only_if_the_rest_is_whole(tmp_path, mix, expected):
    row = read(tmp_path, document(dive(), gases=f'<mix id="m32">{mix}</mix>')).rows("dive_tanks").iloc[0]
    for column, value in zip(("o2_pct", "he_pct", "ar_pct"), expected, strict=True):
        assert pd.isna(row[column]) if value is None else row[column] == pytest.approx(value)


def test_a_lone_tank_without_a_gas_takes_the_first_switch_else_air_both_flagged(tmp_path):
    bare = TANKDATA.replace('<link ref="m32"/>', "")
    switched = read(
        tmp_path, document(dive(tanks=bare, samples=waypoint(0, 0, '<switchmix ref="m32"/>') + waypoint(60, 5)))
    )
    assert switched.rows("dive_tanks")[["o2_pct", "value_flags"]].to_numpy().tolist() == [[32.0, ["gas_from_switch"]]]
    air = read(tmp_path, document(dive(tanks=bare, samples=waypoint(0, 0) + waypoint(60, 5)), gases=""))
    assert air.rows("dive_tanks")[["o2_pct", "value_flags"]].to_numpy().tolist() == [[20.95, ["air_assumed"]]]


def test_a_missing_end_is_the_last_sample_of_that_tank(tmp_path):
    found = read(tmp_path, document(dive(tanks=TANKDATA.replace("<tankpressureend>9.0e6</tankpressureend>", ""))))
    assert found.rows("dive_tanks")[["end_pressure_bar", "value_flags"]].to_numpy().tolist() == [
        [190.0, ["end_from_samples"]]
    ]


def test_absolute_pressures_are_brought_to_the_gauge_and_gauge_is_noted_once(tmp_path):
    found = read(tmp_path, document(dive()), settings="[policy.dives]\nuddf_pressure = 'absolute'")
    assert found.rows("dive_tanks")["start_pressure_bar"].tolist() == pytest.approx([210 - 1.01325])
    assert found.rows("dive_samples")["tank_1_bar"].tolist()[1] == pytest.approx(200 - 1.01325)
    assert found.notes == []
    assert read(tmp_path, document(dive(), dive("d2", start=START.replace("10:", "15:")))).notes == [
        "pressures_taken_as_gauge"
    ]


def test_the_volume_of_the_tankdata_goes_before_the_tanks(tmp_path):
    found = read(
        tmp_path, document(dive(tanks=TANKDATA.replace("</tankdata>", "<tankvolume>0.015</tankvolume></tankdata>")))
    )
    assert found.rows("dive_tanks")["water_capacity_l"].tolist() == pytest.approx([15])


# --- the rest of a dive -----------------------------------------------------------------------
def test_a_dive_that_was_not_open_circuit_throughout_is_none(tmp_path):
    """It bailed out to the loop later, or came off it."""
    for first, then in (("opencircuit", "closedcircuit"), ("closedcircuit", "opencircuit")):
        modes = [waypoint(60 * n, 5, f'<divemode type="{mode}"/>') for n, mode in enumerate((first, then))]
        row = read(tmp_path, document(dive(samples="".join(modes)))).rows("dives").iloc[0]
        assert (row["mode"], row["value_flags"]) == ("closed_circuit", ["not_open_circuit"])


def test_mode_and_mandatory_stops_come_from_the_waypoints(tmp_path):
    closed = waypoint(0, 0, '<divemode type="closedcircuit"/>') + waypoint(
        60, 5, '<decostop kind="mandatory" decodepth="3.0" duration="60.0"/>'
    )
    row = read(tmp_path, document(dive(samples=closed))).rows("dives").iloc[0]
    assert (row["mode"], bool(row["mandatory_stops"]), row["value_flags"]) == (
        "closed_circuit",
        True,
        ["not_open_circuit"],
    )


def test_the_summary_counts_only_where_there_are_no_samples(tmp_path):
    after = (
        "<greatestdepth>18.0</greatestdepth><averagedepth>9.0</averagedepth><diveduration>2400.0</diveduration>"
        "<lowesttemperature>281.15</lowesttemperature>"
    )
    row = read(tmp_path, document(dive(samples="", after=after))).rows("dives").iloc[0]
    assert (row["max_depth_m"], row["mean_depth_m"], row["duration_min"], row["water_c"]) == (
        18.0,
        9.0,
        40.0,
        pytest.approx(8.0),
    )
    with_samples = (
        read(tmp_path, document(dive(after=after.replace("18.0", "12.0").replace("2400", "120")))).rows("dives").iloc[0]
    )
    assert pd.isna(with_samples["max_depth_m"])
    assert with_samples["value_flags"] == []


def test_samples_of_one_time_are_merged_and_counted(tmp_path):
    samples = (
        waypoint(0, 0)
        + waypoint(60, 5, "<temperature>283.15</temperature>")
        + waypoint(60, 6, '<tankpressure ref="t1">2e7</tankpressure>')
        + waypoint(120, 3)
    )
    found = read(tmp_path, document(dive(samples=samples)))
    assert found.counts("dive_samples") == (4, 3, 1)
    assert found.rules == ["uddf_same_time"]
    row = found.rows("dive_samples").iloc[1]
    assert (row["depth_m"], row["water_c"], row["tank_1_bar"]) == (6.0, pytest.approx(10.0), 200.0)


def test_a_depth_a_little_above_the_surface_is_zero(tmp_path):
    found = read(tmp_path, document(dive(samples=waypoint(0, -0.3) + waypoint(60, 5))))
    assert found.rows("dive_samples")["depth_m"].tolist() == [0.0, 5.0]
    assert "surface_depth_zeroed" in found.notes


@pytest.mark.parametrize(("depth", "kept"), [(-0.4, 0.0), (-0.6, None), (-3.0, None)])
def test_a_depth_well_above_the_surface_is_no_depth(tmp_path, depth, kept):
    found = read(tmp_path, document(dive(samples=waypoint(0, 2) + waypoint(60, depth) + waypoint(120, 3))))
    assert found.rows("dive_samples")["depth_m"].tolist() == ([2.0, 3.0] if kept is None else [2.0, kept, 3.0])
    assert found.rules == (["uddf_negative_depth"] if kept is None else [])


def test_many_dives_are_handed_over_in_parts_of_whole_dives(tmp_path, monkeypatch):
    monkeypatch.setattr("pipelines.readers.uddf.file.ROWS_A_PART", 5)
    dives = [dive(f"d{n}", start=START.replace("10:00", f"10:{n:02d}")) for n in range(7)]
    found = read(tmp_path, document(*dives))
    parts = [t for t in found.tables if t.source == "dive_samples"]
    assert [t.rows_read for t in parts] == [6, 6, 6, 3]
    assert all(p.rows["dive_id"].value_counts().eq(3).all() for p in parts)
