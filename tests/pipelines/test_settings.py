"""`station.toml` is written with every policy, read back the same, and every mistake in it is named with its fix."""

import dataclasses

import pandas as pd
import pytest

from pipelines.intake.file_layout import layout_of
from pipelines.readers.tables.mapping import mapping_hash
from pipelines.station import clock
from pipelines.station.settings import FILE, SettingsError, load_station, write_station
from pipelines.station.text import station_text
from schemas.policy import SECTIONS, Policy
from schemas.sources import SOURCES


def station_with(folder, text: str):
    folder.mkdir(exist_ok=True)
    (folder / FILE).write_text(text, encoding="utf-8")
    return load_station(folder)


def mistakes(folder, text: str) -> list[str]:
    with pytest.raises(SettingsError) as caught:
        station_with(folder, text)
    return caught.value.problems


def test_a_new_station_has_every_policy_at_its_default_and_its_folders(tmp_path):
    write_station(tmp_path / "st", name='A "quoted" name, ü', rule_set="de", time_zone="Europe/Berlin")
    station = load_station(tmp_path / "st")
    assert station.name == 'A "quoted" name, ü'
    assert station.policy == Policy(rule_set="de", time_zone="Europe/Berlin")
    assert set(station.mappings) == set(SOURCES)
    assert all(p.is_dir() for p in (station.inbox, station.archive, station.lake, station.published, station.reports))
    text = (tmp_path / "st" / FILE).read_text(encoding="utf-8")
    for section in SECTIONS.values():
        for field in dataclasses.fields(section):
            assert f"{field.name} =" in text
            assert field.metadata["says"] in text


def test_a_station_is_never_written_over(tmp_path):
    write_station(tmp_path)
    with pytest.raises(SettingsError, match="is a station already"):
        write_station(tmp_path)


def test_the_examples_in_a_new_file_work_once_their_marks_are_taken_away(tmp_path):
    text = station_text("x", "uk", "Europe/London", "clock")
    before, _, examples = text.partition("# How your own files differ")
    lines = [
        line.removeprefix("# ") if line.startswith(("# [", "# ")) and ("=" in line or "[" in line[:4]) else line
        for line in examples.splitlines()[1:]
    ]
    station = station_with(tmp_path, before + "\n".join(lines))
    fills = station.mappings["fills"]
    assert fills.units == {"stop_pressure_bar": "psi"}
    assert fills.headers["filled_at"] == ("Date", "Time")
    assert len(fills.stated["ambient_c"]) == 12
    assert station.layouts["pump-house"].units["stop_pressure_bar"] == "psi"
    assert station.uddf.roles == {"tank-1": "back"}
    assert station.people == {"someone@station.example": "manager"}


def test_an_empty_file_is_a_station_with_defaults(tmp_path):
    station = station_with(tmp_path, "")
    assert station.policy == Policy()
    assert station.today == "clock"


def test_today_may_be_a_day(tmp_path):
    assert station_with(tmp_path, "[station]\ntoday = 2031-05-20").today == "2031-05-20"
    assert station_with(tmp_path, "[station]\ntoday = '2031-05-20'").today == "2031-05-20"


def test_a_folder_that_is_no_station_says_how_to_make_one(tmp_path):
    with pytest.raises(SettingsError, match="coldfill init"):
        load_station(tmp_path)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[station\n", ["not valid TOML"]),
        ("[statoin]\n", ["line 1", "statoin", "Did you mean station?"]),
        ("[station]\ntime_zone = 'Europe/Londn'", ["line 2", "is no time zone", "Europe/London"]),
        ("[station]\nrule_set = 'eu'", ["line 2", "adr, au, de, fr, uk, us"]),
        ("[station]\ntoday = 'now'", ["today", "clock"]),
        ("[station]\nname = 3", ["name", "text"]),
        ("[policy.filling]\n\nshort_bar = 'ten'", ["line 3", "[policy.filling] short_bar = 'ten'", "must be a number"]),
        ("[policy.filling]\nshort_bar = true", ["must be a number"]),
        ("[policy.filling]\nshort_bar = 1e9", ["from 0 to 100"]),
        ("[policy.filling]\nshort_bar = nan", ["from 0 to 100"]),
        ("[policy.filling]\nshrot_bar = 1", ["shrot_bar", "Did you mean short_bar?"]),
        ("[policy.filling]\nhot_limit = 'rule_set'", ["relief_bar"]),
        ("[policy.reserve]\nteam_size = 2.5", ["a whole number"]),
        ("[policy.dives]\nuddf_pressure = 'abs'", ["gauge, absolute"]),
        ("[policy]\nfilling = 3", ["must be a table"]),
        ("[sources.fils]\n", ["fils", "Did you mean fills?"]),
        ("[sources.fills]\nunit = 1", ["Did you mean units?"]),
        ("[sources.fills]\ndecimal = ';'", ['must be "." or ","']),
        ("[sources.fills]\ndecimal = ','\nthousands = ','", ["is the decimal mark as well"]),
        ("[sources.fills]\nencoding = 'ebcdic'", ["encoding", "cp1252"]),
        ("[sources.fills]\nheader_row = 0", ["number of the row"]),
        ("[sources.fills.units]\nstop_pressure = 'psy'", ["line 2", "One of: bar, psi"]),
        ("[sources.fills.units]\nunit_id = 'psi'", ["has no unit"]),
        ("[sources.cylinders.units]\nwater_capacity_l = 'cuft'", ["rated_capacity_cuft"]),
        ("[sources.fills.headers]\nstop = 'x'", ["stop in [sources.fills.headers] is not a setting"]),
        ("[sources.fills.formats]\nfilled_at = 'hh:mm'", ["year, month and day"]),
        ("[sources.fills.formats]\nfilled_at = 'YYYY-DD-MM'", ["looks like an ISO date"]),
        ("[sources.fills.words.fill_method]\nx = 'decant'", ["is not one of air, banked_mix"]),
        ("[sources.fills.stated]\nanalysed_o2_pct = 32.0", ["never assumed"]),
        ("[sources.fills.stated]\ntarget_o2_pct = 32.0", ["air only"]),
        ("[sources.fills.stated]\nambient_c = [1, 2]", ["twelve numbers"]),
        ("[sources.fills.stated]\nambient_c = 900", ["from -40 to 60"]),
        ("[sources.fills.stated]\nambient_c = 'working_pressure'", ["cannot be the unit's own working pressure"]),
        ("[sources.cylinders.stated]\nwater_capacity_l = 12.0", ["never assumed"]),
        ("[sources.inspections.stated]\ninspected_on = 2031-01-01", ["never assumed"]),
        ("[sources.visits]\nkey = ['visit_on']", ["no key that could be built"]),
        ("[uddf.roles]\nx = 'main'", ["back, stage"]),
        ("[roles]\nmanager = 'me'", ["list of addresses"]),
        ("[roles]\nmanager = ['a@b.example']\ndiver = ['A@b.example']", ["A person has one role"]),
        ("[schedule]\ncron = 'hourly'", ["five fields"]),
        ("[scale]\nscheduler = 'other:8786'", ["line 2", "no address of a Dask scheduler", "tcp://host:8786"]),
        ("[scale]\nprocesses = -1", ["line 2", "processes"]),
    ],
)
def test_every_mistake_is_named_with_its_fix(tmp_path, text, words):
    found = "\n".join(mistakes(tmp_path, text))
    for word in words:
        assert word in found, found


def test_all_mistakes_are_reported_at_once(tmp_path):
    assert len(mistakes(tmp_path, "[station]\ntoday = 'x'\nrule_set = 'x'\n[policy.fleet]\ndue_soon_days = 'x'")) == 3


def test_what_decides_how_uddf_is_read_changes_its_hash(tmp_path):
    base = station_with(tmp_path, "")
    for text in (
        "[uddf]\nzone = 'Asia/Tokyo'",
        "[uddf]\ndecimal = ','",
        "[uddf.roles]\nx = 'back'",
        "[policy.dives]\nuddf_pressure = 'absolute'",
        "[station]\ntime_zone = 'Asia/Tokyo'",
    ):
        assert layout_of("a.uddf", station_with(tmp_path, text)).hash != layout_of("a.uddf", base).hash
    same = station_with(tmp_path, "[policy.filling]\nshort_bar = 3")
    assert layout_of("a.uddf", same).hash == layout_of("a.uddf", base).hash


def test_a_pattern_gives_way_to_the_column_named_whatever_the_order(tmp_path):
    rules = ("stop_pressure = 'kPa'", "'*_bar' = 'psi'")
    for order in (rules, rules[::-1]):
        fills = station_with(tmp_path, "[sources.fills.units]\n" + "\n".join(order)).mappings["fills"]
        assert (fills.units["stop_pressure_bar"], fills.units["start_pressure_bar"]) == ("kPa", "psi")
        assert "stop_pressure_bar" not in fills.by_pattern
        assert "start_pressure_bar" in fills.by_pattern


TWO_LAYOUTS = """
[sources.fills]
zone = 'Europe/Lisbon'
[layouts.bench]
source = 'fills'
files = ['bench/*', 'fills-bench-*.csv']
[layouts.bench.units]
'*_bar' = 'psi'
[layouts.old-log]
source = 'fills'
files = 'log-*.csv'
decimal = ','
"""


def test_layouts_by_name_stand_beside_the_one_of_the_source(tmp_path):
    station = station_with(tmp_path, TWO_LAYOUTS)
    assert station.mappings["fills"].zone == "Europe/Lisbon"
    bench, log = station.layouts["bench"], station.layouts["old-log"]
    assert (bench.source, bench.layout, bench.names) == ("fills", "bench", ("bench/*", "fills-bench-*.csv"))
    assert bench.units["stop_pressure_bar"] == "psi"
    assert (log.decimal, log.names, log.zone) == (",", ("log-*.csv",), "")


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[layouts.a]\nfiles = ['x*']", ["line 1", "source", "is missing", "fills"]),
        ("[layouts.a]\nsource = 'fills'", ["files", "is missing", 'files = ["fills-bench-*.csv"]']),
        ("[layouts.a]\nsource = 'fils'\nfiles = ['x*']", ["line 2", "[layouts.a] source = 'fils'", "must be one of"]),
        ("[layouts.a]\nsource = 'uddf'\nfiles = ['x*']", ["must be one of", "[uddf]"]),
        ("[layouts.a]\nsource = 'fills'\nfiles = []", ["line 3", "files", "at least one pattern"]),
        ("[layouts.a]\nsource = 'fills'\nfiles = ['x*']\nnames = ['y']", ["line 4", "names in [layouts.a]"]),
        ("[layouts.a]\nsource = 'fills'\nfiles = ['x*']\n[layouts.a.units]\nstop = 'psi'", ["line 5", "stop"]),
        ("[layouts.a]\nsource = 'fills'\nfiles = ['x*']\nunits.stop_pressure = 3", ["line 4", "text in quotation"]),
        ("[layouts]\na = 3", ["line 2", "must be a table"]),
        ("[sources.fills]\nsource = 'dives'", ["source", "fills"]),
    ],
)
def test_a_mistake_in_a_layout_is_named_with_its_fix(tmp_path, text, words):
    found = "\n".join(mistakes(tmp_path, text))
    for word in words:
        assert word in found, found


def test_layouts_of_one_source_differ_in_their_hash_by_what_they_say_and_not_by_name(tmp_path):
    one, other = station_with(tmp_path, TWO_LAYOUTS).layouts.values()
    same = station_with(tmp_path, TWO_LAYOUTS.replace("bench", "desk")).layouts["desk"]
    assert mapping_hash(one, "UTC") == mapping_hash(same, "UTC") != mapping_hash(other, "UTC")


def test_rule_files_are_a_rule_set_by_being_there(tmp_path):
    """No list names it: it can be chosen where its inspection periods and its filling limits lie beside the others."""
    import shutil
    import subprocess
    import sys
    from pathlib import Path

    import shared.rules

    rules = Path(shared.rules.__file__).parent
    package = tmp_path / "copy" / "shared"
    shutil.copytree(rules.parent, package)
    text = (package / "rules" / "inspection_uk.toml").read_text(encoding="utf-8")
    (package / "rules" / "inspection_nz.toml").write_text(text.replace('code = "uk"', 'code = "nz"'), encoding="utf-8")
    for name in ("schemas", "pipelines"):
        shutil.copytree(rules.parents[1] / name, tmp_path / "copy" / name, ignore=shutil.ignore_patterns("__pycache__"))

    def init(folder: str) -> subprocess.CompletedProcess:
        code = "from pipelines.cli import main; main()"
        return subprocess.run(
            [sys.executable, "-P", "-c", code, "init", str(tmp_path / folder), "--rule-set", "nz"],
            cwd=tmp_path / "copy", env={"PYTHONPATH": str(tmp_path / "copy"), "PATH": ""}, capture_output=True,
            text=True,
        )  # fmt: skip

    without_limits = init("first")
    assert without_limits.returncode != 0 and not (tmp_path / "first" / "station.toml").exists()
    assert "nz" in without_limits.stderr
    limits = package / "rules" / "filling_eu.toml"
    limits.write_text(limits.read_text(encoding="utf-8").replace('"uk", ', '"uk", "nz", '), encoding="utf-8")
    made = init("quay")
    assert made.returncode == 0, made.stderr
    assert 'rule_set = "nz"' in (tmp_path / "quay" / "station.toml").read_text(encoding="utf-8")


#: what a person plans or a register states; everything else that is dated has happened
PLANNED_OR_STATED = {"members", "cylinders", "set_members", "gauges", "kits", "bookings", "visits", "withdrawals"}


def test_the_day_of_the_data_is_that_of_the_last_thing_that_happened_at_the_station(tmp_path, monkeypatch):
    dated = {
        name for name, source in SOURCES.items()
        if any(f.kind in ("time", "date") and f.name != "revised_at" for f in source.fields.values())
    }  # fmt: skip
    assert set(clock._HAPPENED) == dated - PLANNED_OR_STATED
    assert not {"due_on", "revised_at"} & {column for columns in clock._HAPPENED.values() for column in columns}
    station = station_with(tmp_path, station_text("x", "uk", "Pacific/Auckland", "data"))
    last = pd.Timestamp("2031-05-20T13:00Z"), "fills.csv", "filled_at"
    monkeypatch.setattr(clock, "newest", lambda *_: last)
    now = pd.Timestamp("2031-06-01T13:00Z")
    assert clock.as_of_day(station, None, now, None) == pd.Timestamp("2031-05-21")  # one in the morning there
    assert clock.as_of_day(station, "2031-05-02", now, None) == pd.Timestamp("2031-05-02")
    monkeypatch.setattr(clock, "newest", lambda *_: None)
    assert clock.as_of_day(station, None, now, None) == pd.Timestamp("2031-06-02")
