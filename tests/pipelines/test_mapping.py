"""A mapping translates what a log writes: units, headers, numbers, words, keys and what it never holds."""

import io

import pandas as pd
import pytest

from pipelines.intake.inbox import _working_pressures
from pipelines.readers.tables.mapping import (
    CLOCKS,
    CONVERSIONS,
    NEVER_STATED,
    Mapping,
    folder_member,
    mapping_hash,
    passed_over,
    source_of,
    unit_ending,
    unit_in_header,
)
from pipelines.readers.tables.values import judge_number
from schemas.frames import conform
from schemas.sources import SOURCES
from tests.pipelines.reader_files import FILL_COLUMNS, csv_text, fills, rules

PRESSURES = {"psi": (3000.0, 206.842719), "kPa": (23200.0, 232.0), "MPa": (23.2, 232.0), "Pa": (2.32e7, 232.0),
             "mbar": (1013.25, 1.01325), "hPa": (1013.25, 1.01325)}  # fmt: skip
MINUTES = {"s": (90.0, 1.5), "h": (0.5, 30.0)} | {clock: (90.0, 1.5) for clock in CLOCKS}
#: by the ending of a column's name: other units, what is written in them, and what it is
OTHER_UNITS = {
    "free_l_min": {"cuft/min": (10.0, 283.168466), "m3/h": (12.0, 200.0)},
    "mg_m3": {"ug/m3": (500.0, 0.5)},
    "bar_abs": PRESSURES | {"atm": (2.0, 2.0265)},
    "bar": PRESSURES,
    "psi": {"bar": (206.842719, 3000.0)},
    "cuft": {"l": (28.316846592, 1.0)},
    "minutes": MINUTES,
    "min": MINUTES,
    "hours": {"min": (90.0, 1.5), "d": (2.0, 48.0)} | {clock: (5400.0, 1.5) for clock in CLOCKS},
    "pct": {"fraction": (0.32, 32.0), "ppm": (500.0, 0.05)},
    "ppm": {"ppb": (500.0, 0.5), "%": (0.0005, 5.0)},
    "kg": {"g": (14200.0, 14.2), "lb": (10.0, 4.5359237)},
    "c": {"F": (68.0, 20.0), "K": (293.15, 20.0)},
    "s": {"min": (1.5, 90.0), "h": (0.5, 1800.0), "ms": (500.0, 0.5)} | {clock: (90.0, 90.0) for clock in CLOCKS},
    "m": {"ft": (100.0, 30.48), "cm": (150.0, 1.5)},
    "l": {"ml": (500.0, 0.5), "m3": (0.05, 50.0), "cuft": (1.0, 28.316846592)},
}  # fmt: skip


@pytest.mark.parametrize("ending", CONVERSIONS)
def test_every_unit_is_converted_as_it_is_defined(ending):
    """Pound, inch, foot and standard gravity by their exact definitions; the rest decimal. Clocks: read as seconds."""
    known = OTHER_UNITS[ending]
    others = {unit for unit, convert in CONVERSIONS[ending].items() if convert(1.0) != 1.0 or unit in known}
    assert others == set(known), "a unit of which no test says what it is"
    for unit, (written, meant) in known.items():
        assert CONVERSIONS[ending][unit](written) == pytest.approx(meant, rel=1e-8), unit


def test_units_of_a_mapping_are_converted(tmp_path):
    columns = {"stop_pressure_bar": ("psi", "3000"), "ambient_c": ("F", "68"), "target_o2_pct": ("fraction", "0.32")}
    mapping = Mapping("fills", units={name: unit for name, (unit, _) in columns.items()})
    row = fills(tmp_path, csv_text({name: text for name, (_, text) in columns.items()}), mapping).rows.iloc[0]
    assert [row[name] for name in columns] == pytest.approx([206.842719, 20.0, 32.0], rel=1e-8)


def test_every_number_of_an_input_with_a_unit_in_its_name_can_be_given_in_that_unit():
    for source in SOURCES.values():
        for field in source.fields.values():
            if field.kind == "float" and field.name != "accuracy_class":
                assert unit_ending(field.name) in CONVERSIONS, (source.name, field.name)


def test_a_cell_may_repeat_the_unit_that_the_mapping_names(tmp_path):
    text = csv_text(
        {"stop_pressure_bar": "3300 psi"},
        {"stop_pressure_bar": "3300PSI"},
        {"stop_pressure_bar": "230 bar"},
        {"stop_pressure_bar": "3300"},
    )
    table = fills(tmp_path, text, Mapping("fills", units={"stop_pressure_bar": "psi"}))
    assert rules(table) == ["unit_in_cell"]
    assert table.rows["stop_pressure_bar"].tolist() == [pytest.approx(227.527, abs=1e-3)] * 3


def test_decimal_comma_and_thousands_are_read_when_stated_and_a_point_then_is_not(tmp_path):
    text = csv_text(
        {"stop_pressure_bar": "1.232,5"},
        {"stop_pressure_bar": "232,5"},
        {"stop_pressure_bar": "232"},
        {"stop_pressure_bar": "232.5"},
        separator=";",
    ).replace("20.95", "20,95")
    table = fills(tmp_path, text, Mapping("fills", decimal=",", thousands="."))
    assert [(p.rule, p.row_number) for p in table.problems] == [("decimal_point", 4)]
    assert table.rows["stop_pressure_bar"].tolist() == [1232.5, 232.5, 232.0]


def test_headers_separators_words_and_columns_to_pass_over(tmp_path):
    text = "Log of 2031\n\nNo|Zylinder|Datum|Zeit|von|bis|soll|Luft|O2|Art|Name\n"
    text += "1|C-07|20.05.2031|14:30|50|231|232|18|21|Luft|MK\n"
    mapping = Mapping(
        "fills",
        header_row=3,
        separator="|",
        ignore=("name",),
        words={"fill_method": {"Luft": "air"}},
        formats={"filled_at": "DD.MM.YYYY hh:mm"},
        headers={
            "fill_id": ("No",),
            "unit_id": ("zylinder",),
            "filled_at": ("Datum", "Zeit"),
            "start_pressure_bar": ("von",),
            "stop_pressure_bar": ("bis",),
            "target_pressure_bar": ("soll",),
            "ambient_c": ("Luft",),
            "target_o2_pct": ("O2",),
            "fill_method": ("Art",),
        },
    )
    table = fills(tmp_path, text, mapping)
    assert rules(table) == []
    row = table.rows.iloc[0]
    assert (row["filled_at"], row["fill_method"], row["line"]) == (pd.Timestamp("2031-05-20 13:30", tz="UTC"), "air", 4)


@pytest.mark.parametrize(
    ("written", "headers"),
    [("DD.MM.YYYY hh:mm", ("Day", "Time")), ("hh:mm DD.MM.YYYY", ("Time", "Day"))],
)
def test_an_empty_time_beside_a_day_is_noon_and_an_empty_day_is_no_day(tmp_path, written, headers):
    columns = ["fill_id", "Day", "Time", *FILL_COLUMNS[2:]]
    text = csv_text(
        {"Day": "20.05.2031", "Time": "14:30"},
        {"Day": "21.05.2031", "Time": ""},
        {"Day": "", "Time": "14:30"},
        {"Day": "22.05.2031", "Time": "late"},
        columns=columns,
    )
    mapping = Mapping("fills", headers={"filled_at": headers}, formats={"filled_at": written})
    table = fills(tmp_path, text, mapping)
    assert [(p.rule, p.row_number) for p in table.problems] == [("not_in_its_format", 3), ("not_in_its_format", 4)]
    assert table.rows["filled_at"].tolist() == [
        pd.Timestamp("2031-05-20 13:30", tz="UTC"),
        pd.Timestamp("2031-05-21 11:00", tz="UTC"),
    ]
    assert table.rows["value_flags"].tolist() == [[], ["date_without_time"]]


def test_a_format_with_a_zone_is_read_in_that_zone(tmp_path):
    """Not in the station's: 14:30 two hours ahead of UTC is 12:30, whatever London's clocks show."""
    text = csv_text({"filled_at": "20.05.2031 14:30 +0200"}, {"filled_at": "20.05.2031 14:30 -0300"})
    table = fills(tmp_path, text, Mapping("fills", formats={"filled_at": "%d.%m.%Y %H:%M %z"}))
    assert table.rows["filled_at"].tolist() == [
        pd.Timestamp("2031-05-20 12:30", tz="UTC"),
        pd.Timestamp("2031-05-20 17:30", tz="UTC"),
    ]


@pytest.mark.parametrize(
    ("written", "text"),
    [
        ("DD/MM/YYYY hh:mm", "20/05/2031 14:30"),
        ("D.M.YY h:mm", "20.5.31 14:30"),
        ("MM-DD-YYYY hh:mm AM", "05-20-2031 02:30 PM"),
        ("%d %b %Y %H:%M", "20 May 2031 14:30"),
        ("YYYY/MM/DD hh:mm:ss", "2031/05/20 14:30:00"),
    ],
)
def test_dates_are_read_in_the_format_of_the_mapping(tmp_path, written, text):
    table = fills(
        tmp_path,
        csv_text({"filled_at": text}, {"filled_at": "2031-05-20T14:30"}, {"filled_at": "31/31/2031"}),
        Mapping("fills", formats={"filled_at": written}),
    )
    assert [(p.rule, p.row_number) for p in table.problems] == [("not_in_its_format", 3)]
    assert table.rows["filled_at"].tolist() == [pd.Timestamp("2031-05-20 13:30", tz="UTC")] * 2


def test_the_zone_of_a_source_goes_before_the_stations(tmp_path):
    table = fills(tmp_path, csv_text({}), Mapping("fills", zone="America/New_York"))
    assert table.rows["filled_at"].tolist() == [pd.Timestamp("2031-05-20 18:30", tz="UTC")]


def test_words_for_nothing_are_empty(tmp_path):
    table = fills(tmp_path, csv_text({"analysed_o2_pct": "N/A", "operator": "-"}), Mapping("fills", empty=("n/a", "-")))
    assert rules(table) == []
    assert table.rows[["analysed_o2_pct", "operator"]].isna().all(axis=None)


def test_a_laboratorys_limit_is_taken_as_that_limit_when_stated(tmp_path):
    table = fills(
        tmp_path, csv_text({"co_ppm": "<2"}, {"co_ppm": "1"}, {"co_ppm": ">2"}), Mapping("fills", less_than="limit")
    )
    assert [(p.rule, p.row_number) for p in table.problems] == [("not_exact", 3)]
    assert table.rows["co_ppm"].tolist() == [2.0, 1.0]
    assert table.rows["value_flags"].tolist() == [["below_limit_of_detection"], []]


@pytest.mark.parametrize("text", ["<2", "<=2", "≤2", "~2", "about 2"])
def test_what_is_no_figure_is_none_where_nothing_is_stated(text):
    assert judge_number(text, "co_ppm", Mapping("fills"))[0] == "not_exact"


@pytest.mark.parametrize("source", ["air_tests", "fill_readings"])
def test_nothing_that_was_measured_is_stated_for_a_whole_log(source):
    measured = {f.name for f in SOURCES[source].fields.values() if f.kind == "float"}
    assert {n for n in measured if not NEVER_STATED.fullmatch(n)} <= {"o2_pct"}, "o2_pct: a source's own"


def test_a_text_in_another_encoding_is_read_when_stated(tmp_path):
    table = fills(tmp_path, csv_text({"operator": "Jörg"}).encode("cp1252"), Mapping("fills", encoding="cp1252"))
    assert table.rows["operator"].tolist() == ["Jörg"]


# --- keys and stated values -------------------------------------------------------------------
def without(text: str, *columns: str) -> str:
    frame = pd.read_csv(io.StringIO(text), dtype="str", keep_default_na=False)
    return frame.drop(columns=list(columns)).to_csv(index=False)


def test_a_key_is_built_from_named_columns_whatever_way_the_time_is_written(tmp_path):
    mapping = Mapping("fills", key=("unit_id", "filled_at"))
    one = fills(tmp_path, without(csv_text({}), "fill_id"), mapping)
    other = fills(tmp_path, without(csv_text({"filled_at": "2031-05-20T13:30Z"}), "fill_id"), mapping)
    assert one.rows["fill_id"].tolist() == other.rows["fill_id"].tolist() == ["C-07-20310520T133000"]


def test_a_part_of_the_key_may_be_a_column_that_is_nothing_else(tmp_path):
    text = without(csv_text({"Page": "3", "Line": "7"}, {"Page": "3", "Line": ""}), "fill_id")
    table = fills(tmp_path, text, Mapping("fills", key=("page", "line")))
    assert table.rows["fill_id"].tolist() == ["3-7"]
    assert [(p.rule, p.row_number, p.column) for p in table.problems] == [("key_incomplete", 2, "line")]


def test_stated_values_fill_what_the_log_never_holds_and_are_marked(tmp_path):
    text = without(csv_text({}, {"filled_at": "2031-12-03 09:00"}), "ambient_c", "target_o2_pct", "target_pressure_bar")
    months = tuple(float(m) for m in range(1, 13))
    table = fills(
        tmp_path,
        text,
        Mapping(
            "fills",
            stated={
                "ambient_c": months,
                "target_o2_pct": 20.95,
                "fill_method": "air",
                "target_pressure_bar": "working_pressure",
            },
        ),
    )
    assert rules(table) == []
    assert table.rows["ambient_c"].tolist() == [5.0, 12.0]
    assert table.rows["target_o2_pct"].tolist() == [20.95, 20.95]
    assert table.rows["target_pressure_bar"].isna().all()
    assert table.from_working_pressure == ["target_pressure_bar"]
    assert [sorted(a) for a in table.rows["assumed"]] == [
        ["ambient_c", "fill_method", "target_o2_pct", "target_pressure_bar"]
    ] * 2


def test_a_column_that_the_file_fills_in_is_never_stated_over(tmp_path):
    table = fills(
        tmp_path, csv_text({"ambient_c": "7"}, {"ambient_c": ""}), Mapping("fills", stated={"ambient_c": 20.0})
    )
    assert table.rows["ambient_c"].tolist()[0] == 7.0
    assert table.rows["ambient_c"].isna().tolist() == [False, True]
    assert table.rows["assumed"].tolist() == [[], []]


def test_oxygen_is_stated_for_air_only(tmp_path):
    text = without(
        csv_text({"fill_method": "air"}, {"fill_method": "partial_pressure"}, {"fill_method": ""}), "target_o2_pct"
    )
    table = fills(tmp_path, text, Mapping("fills", stated={"target_o2_pct": 20.95}))
    assert [(p.rule, p.row_number) for p in table.problems] == [
        ("stated_not_for_this_gas", 2),
        ("stated_not_for_this_gas", 3),
    ]
    assert table.rows["target_o2_pct"].tolist() == [20.95]


# --- names and hashes -------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("file", "source"),
    [
        ("fills.csv", "fills"),
        ("fills-2026-05.xlsx", "fills"),
        ("FILLS_monday.csv", "fills"),
        ("old/Fills 3.csv", "fills"),
        ("dive_tanks.csv", "dive_tanks"),
        ("Dive-Samples-1.csv", "dive_samples"),
        ("dives.csv", "dives"),
        ("dives/M3/x.UDDF", "uddf"),
        ("fills.uddf", "uddf"),
        ("compressor_log.csv", "compressor_log"),
        ("compressors.csv", "compressors"),
        ("set_members.csv", "set_members"),
        ("members.csv", "members"),
        ("pump-house-3.csv", "compressor_log"),
        ("holiday.csv", None),
        ("refills.csv", None),
    ],
)
def test_a_file_is_known_by_the_beginning_of_its_name(file, source):
    assert source_of(file, {"compressor_log": Mapping("compressor_log", names=("Pump-house*.csv",))}) == source


@pytest.mark.parametrize(
    ("file", "why"),
    [
        ("~$fills.xlsx", "lock_or_temporary"),
        (".~lock.fills.csv#", "lock_or_temporary"),
        ("fills.csv.tmp", "lock_or_temporary"),
        ("fills.csv.part", "lock_or_temporary"),
        (".sync/fills.csv", "lock_or_temporary"),
        ("desktop.ini", "lock_or_temporary"),
        ("fills (conflicted copy 2031-05-20).csv", "sync_conflict"),
        ("fills.sync-conflict-20310520.csv", "sync_conflict"),
        ("fills.csv", None),
        ("fills-conflict.csv", None),
    ],
)
def test_locks_and_leftovers_are_passed_over(file, why):
    assert passed_over(file) == why


@pytest.mark.parametrize(
    ("file", "member"),
    [
        ("dives/M-03/a.uddf", "M-03"),
        ("logs/Dives/M-03/2031/a.csv", "M-03"),
        ("dives/a.uddf", None),
        ("a.uddf", None),
        ("divers/M-03/a.csv", None),
    ],
)
def test_the_folder_after_dives_names_the_member(file, member):
    assert folder_member(file) == member


def test_a_mapping_has_one_hash_whatever_the_order_and_another_after_a_change():
    one = Mapping("fills", units={"a": "psi", "b": "F"}, names=("x*",))
    same = Mapping("fills", units={"b": "F", "a": "psi"})
    assert mapping_hash(one, "UTC") == mapping_hash(same, "UTC")
    assert mapping_hash(one, "UTC") != mapping_hash(one, "Europe/London")
    assert mapping_hash(one, "UTC") != mapping_hash(Mapping("fills", units={"a": "psi", "b": "K"}), "UTC")
    assert mapping_hash(Mapping("fills", zone="UTC"), "Europe/London") == mapping_hash(
        Mapping("fills", zone="UTC"), "Asia/Tokyo"
    )


def test_a_blank_optional_cell_takes_the_stated_value(tmp_path):
    text = csv_text({"fill_method": ""}, {"fill_method": "banked_mix"}, {"wall_c": ""}, {"wall_c": "21"})
    table = fills(tmp_path, text, Mapping("fills", stated={"fill_method": "air", "wall_c": 20.0}))
    assert table.rows["fill_method"].tolist() == ["air", "banked_mix", "air", "air"]
    assert table.rows["wall_c"].tolist() == [20, 20, 20, 21]
    assert [sorted(a) for a in table.rows["assumed"]] == [
        ["fill_method", "wall_c"],
        ["wall_c"],
        ["fill_method", "wall_c"],
        ["fill_method"],
    ]


def test_a_blank_required_cell_beside_filled_ones_stays_missing(tmp_path):
    table = fills(tmp_path, csv_text({"ambient_c": ""}, {}), Mapping("fills", stated={"ambient_c": 12.0}))
    assert table.rows["ambient_c"].isna().tolist() == [True, False]
    assert not any(table.rows["assumed"])


@pytest.mark.parametrize(
    ("header", "unit"),
    [
        ("Stop (psi)", "psi"),
        ("stop_psi", "psi"),
        ("Stop psi", "psi"),
        ("Stop [kPa]", "kPa"),
        ("stop_pressure_bar", "bar"),
        ("Stop", None),
        ("Stop (left)", None),
        ("Pressure C", None),
    ],
)
def test_the_unit_that_a_header_names(header, unit):
    assert unit_in_header("stop_pressure_bar", header) == unit


def test_a_unit_in_a_header_beats_a_pattern_and_gives_way_to_the_column_named(tmp_path):
    text = csv_text({"stop_pressure_bar": "230", "start_pressure_bar": "50"}).replace("start_pressure_bar", "Start")
    text = text.replace("target_pressure_bar", "Target (kPa)").replace(",232,", ",23200,", 1)
    headers = {"start_pressure_bar": ("Start",), "target_pressure_bar": ("Target (kPa)",)}
    wide = dict.fromkeys(("start_pressure_bar", "target_pressure_bar", "stop_pressure_bar"), "psi")
    by_pattern = fills(tmp_path, text, Mapping("fills", headers=headers, units=wide, by_pattern=tuple(wide))).rows
    assert by_pattern["start_pressure_bar"].tolist() == [pytest.approx(3.447379, rel=1e-6)]
    assert by_pattern["target_pressure_bar"].tolist() == [pytest.approx(232.0)]
    assert by_pattern["stop_pressure_bar"].tolist() == [230.0]
    named = fills(tmp_path, text, Mapping("fills", headers=headers, units=wide)).rows
    assert named["stop_pressure_bar"].tolist() == [pytest.approx(15.857944, rel=1e-6)]


def test_a_unit_in_a_mapped_header_needs_no_rule(tmp_path):
    text = csv_text({"stop_pressure_bar": "3300"}).replace("stop_pressure_bar", "Stop (psi)")
    table = fills(tmp_path, text, Mapping("fills", headers={"stop_pressure_bar": ("Stop (psi)",)}))
    assert table.rows["stop_pressure_bar"].tolist() == [pytest.approx(227.527, abs=1e-3)]


def test_the_working_pressure_of_a_set_is_that_of_its_weaker_cylinder():
    rows = [
        {"cylinder_id": "L", "set_id": "S", "set_kind": "manifolded", "working_pressure_bar": 232.0},
        {"cylinder_id": "R", "set_id": "S", "set_kind": "manifolded", "working_pressure_bar": 200.0},
        {"cylinder_id": "A", "set_id": "P", "set_kind": "independent", "working_pressure_bar": 300.0},
    ]
    found = _working_pressures(conform(pd.DataFrame(rows), SOURCES["cylinders"].fields.values()))
    assert found.to_dict() == {"L": 232.0, "R": 200.0, "A": 300.0, "S": 200.0}
