"""A damaged, mistaken or malicious UDDF file costs what cannot be trusted in it, and never the dives beside it."""

import random
import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipelines.readers.uddf import dive as uddf_dive
from pipelines.readers.uddf import walk as uddf_walk
from pipelines.readers.uddf import waypoints as uddf_waypoints
from tests.pipelines.test_read_uddf import TWO_DIVES, VERSION_2
from tests.pipelines.uddf_files import MIX, SAMPLES, START, TANK, TANKDATA, dive, document, in_namespace, read, waypoint

LATER = START.replace("10:00:00", "15:00:00")
GOOD = dive("good", start=LATER)


def beside(tmp_path, bad: str, **more):
    """A dive in question and a good one; the good one must load."""
    found = read(tmp_path, document(bad, GOOD, **more))
    assert "M-03-20310520T150000Z" in found.rows("dives")["dive_id"].tolist()
    assert (found.rows("dive_samples")["dive_id"] == "M-03-20310520T150000Z").sum() == 3
    return found


# --- values in the wrong unit -----------------------------------------------------------------
@pytest.mark.parametrize(
    ("kelvin", "words"), [("12.0", "Celsius or Fahrenheit"), ("54.0", "Celsius or Fahrenheit"), ("500", "")]
)
def test_water_that_is_no_kelvin_is_left_out(tmp_path, kelvin, words):
    found = beside(tmp_path, dive(samples=SAMPLES.replace("283.15", kelvin)))
    what = found.problems[0]
    assert (what.rule, what.severity, what.column, what.value) == ("uddf_not_kelvin", "value", "water_c", kelvin)
    assert words in what.message
    assert found.rows("dive_samples")["water_c"].isna().iloc[0]


@pytest.mark.parametrize(("begin", "end"), [("210", "90"), ("3045.0", "1300"), ("21000", "9000"), ("2.1e8", "9e7")])
def test_pressures_in_another_unit_are_left_out_and_the_dive_says_so(tmp_path, begin, end):
    tanks = TANKDATA.replace("2.1e7", begin).replace("9.0e6", end)
    found = beside(tmp_path, dive(tanks=tanks, samples=waypoint(0, 0) + waypoint(60, 9) + waypoint(120, 0)))
    assert found.rules == ["uddf_not_pascal"]
    assert found.rows("dive_tanks")[["start_pressure_bar", "end_pressure_bar"]].iloc[0].isna().all()
    assert found.rows("dives")["value_flags"].tolist()[0] == ["tank_rejected"]


def test_a_single_low_reading_of_a_good_tank_stays(tmp_path):
    samples = SAMPLES.replace("1.9e7", "5.0e5")
    assert beside(tmp_path, dive(samples=samples)).rows("dive_samples")["tank_1_bar"].tolist()[2] == pytest.approx(5.0)


@pytest.mark.parametrize(
    ("old", "new", "rule", "source", "column"),
    [
        ("0.012", "12.0", "uddf_not_m3", "dive_tanks", "water_capacity_l"),
        ("<o2>0.32</o2><n2>0.68</n2>", "<o2>32</o2><n2>68</n2>", "uddf_not_fraction", "dive_tanks", "o2_pct"),
        ("<o2>0.32</o2><n2>0.68</n2>", "<o2>0.32</o2><n2>0.79</n2>", "uddf_not_fraction", "dive_tanks", "o2_pct"),
        ("<o2>0.32</o2><n2>0.68</n2>", "<o2>0.32</o2><n2>0.50</n2>", "uddf_not_fraction", "dive_tanks", "o2_pct"),
        ("<o2>0.32</o2><n2>0.68</n2>", "<o2>0.32</o2><h2>0.68</h2>", "uddf_not_fraction", "dive_tanks", "o2_pct"),
        ("<o2>0.32</o2><n2>0.68</n2>", "<o2>0.0032</o2>", "uddf_not_fraction", "dive_tanks", "o2_pct"),
        ("<o2>0.32</o2>", "<o2>0,32</o2>", "uddf_not_fraction", "dive_tanks", "o2_pct"),
    ],
)
def test_sizes_and_gases_that_cannot_be_are_left_empty(tmp_path, old, new, rule, source, column):
    found = read(tmp_path, document(dive()).replace(old, new))
    assert found.rules == [rule]
    assert found.rows(source)[column].isna().all()
    assert found.counts("dive_tanks") == (1, 1, 0)


@pytest.mark.parametrize(
    ("more", "rule", "column"),
    [
        ("<surfacepressure>1.018</surfacepressure>", "uddf_not_pascal", "surface_pressure_bar_abs"),
        ("<airtemperature>18</airtemperature>", "uddf_not_kelvin", "air_c"),
        ("<airtemperature>warm</airtemperature>", "uddf_not_a_number", "air_c"),
        ("<density>1.025</density>", "uddf_not_kg_m3", "water"),
    ],
)
def test_surroundings_in_another_unit_are_left_out(tmp_path, more, rule, column):
    found = beside(tmp_path, dive(before=more))
    assert found.rules == [rule]
    assert found.rows("dives")[column].isna().iloc[0]


@pytest.mark.parametrize(
    "after",
    [
        "<greatestdepth>39.4</greatestdepth>",
        "<greatestdepth>3.66</greatestdepth>",
        "<diveduration>2.0</diveduration>",
        "<diveduration>7200</diveduration>",
    ],
)
def test_samples_and_summary_in_different_units_reject_the_dive(tmp_path, after):
    found = beside(tmp_path, dive(after=after))
    assert found.rules == ["uddf_unit_conflict", "uddf_dive_rejected", "uddf_dive_rejected"]
    assert [found.counts(s) for s in ("dives", "dive_tanks", "dive_samples")] == [(2, 1, 1), (2, 1, 1), (6, 3, 3)]


def test_a_smaller_gap_between_summary_and_samples_is_a_flag(tmp_path):
    found = beside(tmp_path, dive(after="<greatestdepth>15.0</greatestdepth>"))
    assert found.rows("dives")["value_flags"].tolist()[0] == ["summary_differs"]


# --- numbers and times ------------------------------------------------------------------------
@pytest.mark.parametrize("text", ["12.3.4", "12,3", "nan", "inf", "1e999", "1_0", "0x1", "٣", "12 m"])
def test_a_depth_that_is_no_number_of_the_format_rejects_its_sample(tmp_path, text):
    found = beside(tmp_path, dive(samples=SAMPLES.replace("<depth>12</depth>", f"<depth>{text}</depth>")))
    assert [(p.rule, p.row_number, p.value) for p in found.problems] == [("uddf_not_a_number", 2, text)]
    assert found.counts("dive_samples") == (6, 5, 1)


def test_a_decimal_comma_is_read_when_stated(tmp_path):
    found = read(
        tmp_path,
        document(dive(samples=SAMPLES.replace("<depth>12</depth>", "<depth>12,5</depth>"))),
        settings="[uddf]\ndecimal = ','",
    )
    assert found.rules == []
    assert found.rows("dive_samples")["depth_m"].max() == 12.5


def test_samples_without_depth_or_far_above_the_surface_or_back_in_time_are_rejected(tmp_path):
    samples = (
        waypoint(0, 0)
        + "<waypoint><divetime>10</divetime></waypoint>"
        + waypoint(20, -3)
        + waypoint(60, 5)
        + waypoint(30, 6)
        + waypoint(40, 7)
        + waypoint(90, 8)
    )
    found = beside(tmp_path, dive(samples=samples))
    assert [(p.rule, p.row_number, p.rows) for p in found.problems] == [
        ("uddf_no_depth", 2, 1),
        ("uddf_negative_depth", 3, 1),
        ("uddf_time_falls", 5, 2),
    ]
    assert found.rows("dive_samples")["t_s"].tolist()[:3] == [0, 60, 90]


@pytest.mark.parametrize(
    "start",
    [
        "",
        "<datetime>2031-05</datetime>",
        "<datetime>2031-05-20</datetime>",
        "<datetime>T10:00</datetime>",
        "<datetime>2031-W21-2T10:00</datetime>",
        "<datetime>2031-05-20T99:00</datetime>",
        "<datetime>soon</datetime>",
        "<date><year>2031</year><month>5</month><day>20</day></date>",
    ],
)
def test_a_start_without_day_hour_or_minute_rejects_the_dive(tmp_path, start):
    found = beside(tmp_path, dive(start=start))
    assert found.rules[0] == "uddf_datetime_incomplete"
    assert found.counts("dives") == (2, 1, 1)


# --- references -------------------------------------------------------------------------------
def test_a_tank_that_points_nowhere_is_rejected_and_the_dive_says_that_gas_is_missing(tmp_path):
    found = beside(tmp_path, dive(tanks=TANKDATA.replace('ref="m32"', 'ref="gone"')))
    assert ("uddf_dangling_ref", 1) in [(p.rule, p.row_number) for p in found.problems]
    assert found.counts("dive_tanks") == (2, 1, 1)
    assert found.rows("dives")["value_flags"].tolist()[0] == ["tank_rejected"]


def test_a_tank_defined_twice_is_no_tank(tmp_path):
    found = read(tmp_path, document(dive(), tanks=TANK + TANK))
    assert "uddf_duplicate_id" in found.rules
    assert found.counts("dive_tanks") == (1, 0, 1)


def test_a_reading_with_two_tanks_or_none_of_several_is_left_out(tmp_path):
    tanks = TANK + '<tank id="t2"><aliasname>stage</aliasname></tank>'
    two = TANKDATA + TANKDATA.replace("t1", "t2")
    for change, rule in (
        ('tankpressure ref="t1" tankref="t2"', "uddf_ref_conflict"),
        ("tankpressure", "uddf_tank_unclear"),
        ('tankpressure ref="t9"', "uddf_dangling_ref"),
    ):
        found = beside(tmp_path, dive(tanks=two, samples=SAMPLES.replace('tankpressure ref="t1"', change)), tanks=tanks)
        assert [(p.rule, p.severity, p.rows) for p in found.problems] == [(rule, "value", 2)]
        assert found.counts("dive_samples") == (6, 6, 0)


def test_more_tanks_than_columns_reject_the_dive(tmp_path):
    tanks = "".join(f'<tank id="t{n}"><aliasname>stage</aliasname></tank>' for n in range(1, 9))
    found = beside(tmp_path, dive(tanks="".join(TANKDATA.replace("t1", f"t{n}") for n in range(1, 8))), tanks=tanks)
    assert found.rules[0] == "uddf_too_many_tanks"
    assert found.counts("dive_tanks") == (8, 1, 7)


def test_one_id_for_two_dives_rejects_both(tmp_path):
    found = beside(tmp_path, dive("d1") + dive("d1", start=START.replace("10:", "12:")))
    assert found.rules.count("uddf_duplicate_id") == 2
    assert found.counts("dives") == (3, 1, 2)
    assert found.counts("dive_samples") == (9, 3, 6)


def test_two_records_of_one_start_that_differ_reject_both(tmp_path):
    found = beside(tmp_path, dive("d1") + dive("d2", before="<airtemperature>290</airtemperature>"))
    assert found.rules.count("key_conflict") == 2
    assert found.counts("dives") == (3, 1, 2)


# --- XML --------------------------------------------------------------------------------------
def refused(tmp_path, content) -> str:
    found = read(tmp_path, content)
    assert found.refused is not None
    assert found.refused.fix
    assert found.counts("dives")[0] == 0
    return found.refused.rule


@pytest.mark.parametrize(
    "head",
    [
        '<!DOCTYPE uddf [<!ENTITY a "1">]>',
        '<!DOCTYPE uddf [<!ENTITY a "1"><!ENTITY b "&a;&a;&a;&a;"><!ENTITY c "&b;&b;&b;&b;">]>',
        '<!DOCTYPE uddf [<!ENTITY x SYSTEM "file:///etc/hostname">]>',
        '<!DOCTYPE uddf [<!ENTITY % p SYSTEM "http://localhost:1/x.dtd">%p;]>',
    ],
)
def test_declared_entities_are_refused(tmp_path, head):
    assert refused(tmp_path, document(dive(), head=head)) == "uddf_doctype_entities"


@pytest.mark.parametrize(
    "head", ["<!DOCTYPE uddf>", '<!DOCTYPE uddf SYSTEM "http://localhost:1/uddf.dtd">', "<!-- hello --><?pi x?>"]
)
def test_a_bare_document_type_is_harmless_and_nothing_is_fetched(tmp_path, head):
    assert read(tmp_path, document(dive(), head=head)).counts("dives") == (1, 1, 0)


def test_a_file_cut_short_anywhere_is_refused_whole(tmp_path):
    text = document(dive(), GOOD)
    for share in (0.2, 0.5, 0.8, 0.99):
        assert refused(tmp_path, text[: int(len(text) * share)]) == "uddf_broken"


@pytest.mark.parametrize(
    ("content", "rule"),
    [
        (b"", "uddf_broken"),
        (b"dive,depth\n1,2\n", "uddf_broken"),
        (b"%PDF-1.7", "uddf_broken"),
        ("<log/>", "uddf_wrong_root"),
        ("<html><uddf/></html>", "uddf_wrong_root"),
        (document(dive()).replace("</dive>", ""), "uddf_broken"),
        (document(dive()).replace("</depth>", "<depth/>", 1), "uddf_broken"),
        (document(dive()).replace("12", "&unknown;", 1), "uddf_broken"),
    ],
)
def test_what_is_no_uddf_is_refused(tmp_path, content, rule):
    assert refused(tmp_path, content) == rule


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "iso-8859-1"])
def test_the_declaration_or_the_mark_decides_the_encoding(tmp_path, encoding):
    text = document(dive(), owner="Jörg").replace('encoding="UTF-8"', f'encoding="{encoding.removesuffix("-sig")}"')
    assert read(tmp_path, text.encode(encoding), members=("Jörg",)).rows("dives")["member_id"].tolist() == ["Jörg"]


@pytest.mark.parametrize(("levels", "rule"), [(60, "uddf_too_deep"), (400, "uddf_broken")])
@pytest.mark.parametrize("where", ["<informationafterdive>", "<generator>", "<waypoint>"])
def test_deep_nesting_is_refused(tmp_path, levels, rule, where):
    text = document(dive()).replace(where, where + "<x>" * levels + "</x>" * levels, 1)
    assert refused(tmp_path, text) == rule


def test_one_endless_text_or_element_is_refused(tmp_path, monkeypatch):
    assert refused(tmp_path, document(dive()).replace("<name>test", "<name>" + "x" * (11 << 20))) == "uddf_broken"
    monkeypatch.setattr(uddf_walk, "MOST_UNBROKEN", 1 << 20)
    many = document(dive(before="<link ref='t1'/>" * 200_000))
    assert refused(tmp_path, many) == "too_large"


def test_too_many_dives_are_refused_and_too_many_waypoints_reject_their_dive(tmp_path, monkeypatch):
    monkeypatch.setattr(uddf_walk, "MOST_DIVES", 2)
    assert refused(tmp_path, document(*[dive(f"d{n}") for n in range(3)])) == "uddf_too_many_dives"
    monkeypatch.setattr(uddf_walk, "MOST_DIVES", 50)
    monkeypatch.setattr(uddf_waypoints, "MOST_WAYPOINTS", 4)
    monkeypatch.setattr(uddf_dive, "MOST_WAYPOINTS", 4)
    found = beside(tmp_path, dive(samples="".join(waypoint(t, 5) for t in range(10))))
    assert found.rules == ["uddf_too_many_waypoints", "uddf_dive_rejected", "uddf_dive_rejected"]
    assert found.counts("dive_samples") == (13, 3, 10)


# --- properties -------------------------------------------------------------------------------
_DROPS = (
    "",
    "NaN",
    "1e400",
    "-1",
    "abc",
    "1,5",
    "<x/>",
    '<link ref="nix"/>',
    "<waypoint/>",
    "<dive/>",
    "<tankdata/>",
    "<samples/>",
    "<![CDATA[3]]>",
    "&amp;",
)


@given(st.integers(0, 2**32), st.sampled_from([TWO_DIVES, VERSION_2, in_namespace(document(dive(), GOOD))]))
@settings(max_examples=120, deadline=None)
def test_whatever_is_changed_in_a_file_every_row_is_taken_or_rejected(tmp_path_factory, seed, text):
    rng = random.Random(seed)
    for _ in range(rng.randrange(1, 6)):
        places = [m.start() + 1 for m in re.finditer(">", text)]
        at = rng.choice(places) if places else 0
        cut = text.find("<", at) if rng.random() < 0.5 else at + rng.randrange(0, 40)
        text = text[:at] + rng.choice(_DROPS) + text[max(cut, at) :]
    read(tmp_path_factory.mktemp("g"), text, members=("own-17", "M-03"))


@given(
    st.lists(
        st.tuples(st.floats(0, 5000), st.floats(0, 100), st.one_of(st.none(), st.floats(1e6, 3e7))),
        min_size=1,
        max_size=30,
    )
)
@settings(max_examples=40, deadline=None)
def test_samples_come_back_as_written(tmp_path_factory, written):
    written = sorted({round(t, 3): (d, p) for t, d, p in written}.items())
    samples = "".join(
        waypoint(t, d, f'<tankpressure ref="t1">{p!r}</tankpressure>' if p is not None else "") for t, (d, p) in written
    )
    rows = read(tmp_path_factory.mktemp("g"), document(dive(samples=samples))).rows("dive_samples")
    assert rows["t_s"].tolist() == [t for t, _ in written]
    assert rows["depth_m"].tolist() == [d for _, (d, _) in written]
    bars = [-1 if p is None else pytest.approx(p / 1e5) for _, (_, p) in written]
    assert rows["tank_1_bar"].fillna(-1).tolist() == bars
    assert MIX in document(dive())
