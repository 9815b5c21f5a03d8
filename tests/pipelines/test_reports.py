"""Printed pages and the calendar say what the snapshot says, and no label stands where it could mislead."""

import html
import re
from types import SimpleNamespace

import icalendar
import pandas as pd
import pytest
import small_station

from pipelines.publish.card import _why_not
from pipelines.publish.reports import Reports
from pipelines.station.settings import load_station
from schemas import reading_units
from schemas.clearance import OPEN_FINDINGS


@pytest.fixture(scope="module")
def station(sample_station):
    return load_station(sample_station.folder)


def test_every_fill_of_a_day_has_a_label_or_a_reason(station):
    reports = Reports(station)
    for day in reports.fills["day"].drop_duplicates().sort_values().tail(10):
        listed = Reports(station, f"{day:%Y-%m-%d}").labels()
        assert len(listed["labels"]) + len(listed["without"]) == int((reports.fills["day"] == day).sum())


def test_a_label_rounds_to_the_safe_side_and_says_it_is_no_analysis(station, tmp_path):
    reports = Reports(station)
    analysed = reports.fills[(reports.fills["verdict"] == "good") | (reports.fills["verdict"] == "short")]
    newest = analysed[analysed["analysed_o2_pct"].notna()].sort_values("filled_at").iloc[-1]
    made = reports._label(newest.to_dict())
    metres = int(re.search(r"(\d+)", made.depth)[1])
    assert metres <= newest["max_operating_depth_m"] < metres + 1
    assert "1.4" in dict(made.lines)["That depth"]
    Reports(station).write("labels", tmp_path / "labels.html")
    assert "Analyse before use; this print is no analysis." in (tmp_path / "labels.html").read_text(encoding="utf-8")


def test_the_morning_sheet_names_every_hold_and_every_barred_cylinder(station, sample_station, tmp_path):
    Reports(station).write("morning", tmp_path / "morning.html")
    page = (tmp_path / "morning.html").read_text(encoding="utf-8")
    fills, health = sample_station.table("fill_quality"), sample_station.table("cylinder_health")
    assert fills["on_hold"].sum() > 0
    for unit in fills.loc[fills["on_hold"].fillna(False).astype(bool), "unit_id"]:
        assert f"<td>{unit}</td>" in page
    for cylinder in health.loc[health["inspection_state"] == "out_of_date", "cylinder_id"]:
        assert f"<td>{cylinder}</td>" in page


def test_the_morning_sheet_bars_what_is_withdrawn_and_counts_the_problems_that_are_open(station):
    reports = Reports(station)
    at = pd.Timestamp("2031-05-20", tz="UTC")
    known = {
        "cylinder_health": reports.table("cylinder_health").assign(status="in_service", inspection_state="in_date"),
        "rejects": pd.DataFrame({"resolved_at": [at, None, None], "dismissed_at": [None, at, None]}),
    }
    known["cylinder_health"].loc[[1, 2], "status"] = ["withdrawn", "condemned"]
    known["cylinder_health"].loc[[3, 4], "inspection_state"] = "due_soon"
    known["cylinder_health"].loc[[3, 4], "next_due_on"] = pd.to_datetime(["2031-06-09", "2031-06-02"])
    real = reports.table
    reports.table = lambda name: known[name] if name in known else real(name)
    sheet = reports.morning()
    assert [c["cylinder_id"] for c in sheet["barred"]] == known["cylinder_health"].loc[[1, 2], "cylinder_id"].tolist()
    assert sheet["problems"] == 1
    assert [c["cylinder_id"] for c in sheet["due"]] == known["cylinder_health"].loc[[4, 3], "cylinder_id"].tolist()


def test_a_cylinder_whose_next_date_nobody_knows_stands_first_and_one_to_call_back_says_since_when(station):
    reports = Reports(station)
    health = reports.table("cylinder_health").head(4).assign(inspection_state="in_date")
    health["next_due_on"] = pd.to_datetime(["2031-09-01", "2031-06-01", None, "2031-07-01"])
    real = reports.table
    reports.table = lambda name: health if name == "cylinder_health" else real(name)
    listed = [c["cylinder_id"] for c in reports.inspections()["cylinders"]]
    assert listed == health["cylinder_id"].iloc[[2, 1, 3, 0]].tolist()
    row = {"unit_id": "U", "fill_id": "f", "held_by": None, "reason": "carbon monoxide 9 ppm"}
    since = [reports._recalled(row | {"since": at})["since"] for at in (pd.Timestamp("2031-05-05"), pd.NaT)]
    assert [said.replace("\u00a0", " ") for said in since] == ["5 May 2031", "never found good"]


def test_the_calendar_holds_the_next_date_of_each_cylinder(station, sample_station, tmp_path):
    Reports(station).write("calendar", tmp_path / "dates.ics")
    events = icalendar.Calendar.from_ical((tmp_path / "dates.ics").read_bytes()).walk("VEVENT")
    listed = {(str(e["SUMMARY"]).split(":")[0], pd.Timestamp(e.decoded("DTSTART"))) for e in events}
    health = sample_station.table("cylinder_health")
    due = health[health["next_due_on"].notna() & (health["status"] == "in_service")]
    assert len(due) > 10
    for row in due.itertuples():
        assert (row.cylinder_id, row.next_due_on) in listed


def test_markup_in_a_name_stays_text(station):
    reports = Reports(station)
    reports.names = {m: "<script>x</script>" for m in reports.names}
    page = reports.page("season.html", **reports.season(sorted(reports.names)[0]))
    assert "<script>" not in page and "&lt;script&gt;" in page


def test_a_season_needs_a_member_who_is_known(station, tmp_path):
    with pytest.raises(ValueError, match="--member"):
        Reports(station).write("season", tmp_path / "s.html", "nobody")
    member = sorted(Reports(station).names)[0]
    Reports(station).write("season", tmp_path / "s.html", member)
    dives = Reports(station).table("dive_consumption")
    page = Reports(station).season(member)
    assert 0 < len(page["dives"]) + page["more_dives"] == (dives["member_id"] == member).sum() < len(dives)
    assert "Not a gas plan" in (tmp_path / "s.html").read_text(encoding="utf-8")


GAP = re.compile(r"\{[a-z_]+[^}]*\}|(?<![\w.])(?:nan|NaN|NaT|None(?! in)|<NA>)(?![\w.])|(?<!\S)\?")


def test_the_morning_sheet_calls_back_and_says_what_not_to_fill_from(station, sample_station, tmp_path):
    """The sample's comp-2 failed on carbon monoxide and carbon dioxide; its fills and its bank are named."""
    Reports(station).write("morning", tmp_path / "morning.html")
    page = (tmp_path / "morning.html").read_text(encoding="utf-8")
    recall, sources = sample_station.table("recall"), sample_station.table("gas_sources")
    assert len(recall) and "carbon monoxide" in page
    called = page[page.index("Fills to call back") : page.index("<h2>Fill from")]
    for row in recall.to_dict("records"):
        assert row["unit_id"] in called and row["fill_id"] in called
    failed = sources.loc[sources["air_state"] == "failed", "source_id"]
    fill_from = page[page.index("<h2>Fill from") : page.index("<h2>May not be filled today")]
    assert len(failed) and fill_from.count("Do not fill from it") == len(failed)


def test_every_fill_on_recall_is_held_or_in_doubt(sample_station):
    fills = sample_station.table("fill_quality").set_index("fill_id")
    on_list = fills.loc[sample_station.table("recall")["fill_id"]]
    assert on_list["air_state"].isin(["failed", "failed_later", "source_unknown"]).all()
    certain = on_list["air_state"] != "source_unknown"
    assert (on_list.loc[certain, "verdict"] == "stop").all()
    assert on_list.loc[~certain, "verdict"].isin(["stop", "attention"]).all()


@pytest.mark.parametrize("kind", ["morning", "labels", "inspections", "season"])
def test_a_report_of_a_station_that_logs_little_has_no_gap_in_a_sentence(tmp_path, kind):
    """No source, no minutes, no inspections, no analysis; a fill that arrived empty, ran hot and stopped too high."""
    station = small_station.make(tmp_path)
    small_station.drop(station, "members.csv", small_station.MEMBERS)
    small_station.drop(station, "cylinders.csv", small_station.CYLINDERS)
    rows = [
        small_station.fill(1, start_pressure_bar="0", stop_pressure_bar="260"),
        small_station.fill(2, target_o2_pct="32", fill_method=""),
        small_station.fill(3, start_pressure_bar="220", stop_pressure_bar="60"),
    ]
    small_station.drop(station, "fills.csv", rows)
    small_station.drop(station, "dives.csv", [small_station.dive(4), small_station.dive(5, duration_min="40")])
    small_station.drop(station, "dive_tanks.csv", [small_station.tank(4, start_pressure_bar="")])
    small_station.run(station)
    Reports(station).write(kind, tmp_path / "page.html", "M1")
    text = re.sub(r"<style.*?</style>|<[^>]+>", " ", (tmp_path / "page.html").read_text(), flags=re.DOTALL)
    assert len(text.split()) > 20
    found = GAP.search(html.unescape(text))
    assert not found, text[max(0, found.start() - 100) : found.end() + 60]


# --- the card for a power cut -------------------------------------------------------------------
@pytest.mark.parametrize("units, step_bar", [("metric", 1.0), ("us", 0.06895)])
def test_cold_readings_on_the_card_are_those_of_the_reference_equation(units, step_bar):
    """CoolProp's own densities of air (Lemmon et al. 2000), rounded down; another equation than ours."""
    from CoolProp.CoolProp import PropsSI

    from pipelines.publish.card import GAS, STOPS, cold_readings

    atm_pa = 101_325.0
    with reading_units.reading(units):
        rows, (bar, celsius) = cold_readings(15.0), (reading_units.shown(unit) for unit in ("bar", "°C"))
    for row, gas in zip(rows, GAS[units], strict=True):
        assert row["gas"] == f"{gas}\u00a0{celsius.unit}"
        for stop, printed in zip(STOPS[units], row["pressures"], strict=True):
            density = PropsSI("Dmolar", "P", 1e5 * bar.back(stop) + atm_pa, "T", 273.15 + celsius.back(gas), "Air")
            cold = (PropsSI("P", "Dmolar", density, "T", 288.15, "Air") - atm_pa) / 1e5
            # a step by rounding down, 0.2 % between the equations
            assert cold - step_bar - 0.6 < bar.back(float(printed.replace("\u202f", ""))) <= cold + 0.6


def test_each_unit_stands_once_on_the_card_and_none_out_of_test_among_those_to_fill(station, sample_station, tmp_path):
    from schemas.clearance import fillable_units

    card = Reports(station).card()
    free, barred = ({row["unit_id"] for row in card[which]} for which in ("free", "barred"))
    assert not free & barred and sorted(free | barred) == sorted(fillable_units(sample_station.table("units")))
    assert free and barred and all(row["why"] for row in card["barred"])
    health = sample_station.table("cylinder_health").set_index("cylinder_id")
    units = sample_station.table("units").set_index("unit_id")
    for unit in free:
        of_it = health[(health.index == unit) | (health["set_id"] == unit)]
        assert set(of_it["inspection_state"]) <= {"in_date", "due_soon"} and set(of_it["status"]) == {"in_service"}
    for row in card["free"]:
        assert float(row["permitted"]) <= units.loc[row["unit_id"], "permitted_bar"]
    held = set(sample_station.table("fill_quality").query("on_hold == True")["unit_id"])
    assert held <= {row["unit_id"] for row in card["held"]}
    assert {row["unit_id"] for row in card["free"] if row["held"]} == held & free
    sources = sample_station.table("gas_sources")
    failed = set(sources.loc[sources["air_state"] == "failed", "source_id"])
    assert failed and {row["source_id"] for row in card["sources"] if row["failed"]} == failed
    Reports(station).write("card", tmp_path / "card.html")
    page = html.unescape((tmp_path / "card.html").read_text(encoding="utf-8"))
    assert page.count("Do not fill from it") == len(failed) and "<h2>Fill from" not in page


@pytest.mark.parametrize(
    ("why_not", "look_first", "permitted", "says"),
    [([], [], 232.0, ""), (["Due was 3 May."], [], 232.0, "Due was"), ([], [sorted(OPEN_FINDINGS)[0]], 232.0, "."),
     ([], ["inspection_due_soon"], 232.0, ""), ([], [], None, "is not known")],
)  # fmt: skip
def test_a_card_lets_nobody_fill_what_somebody_found_bad_or_whose_pressure_nobody_knows(
    why_not, look_first, permitted, says
):
    unit = pd.Series({"permitted_bar": permitted}, dtype="float64")
    why = _why_not(SimpleNamespace(why_not=why_not, look_first=[(code, {}) for code in look_first], unit=unit))
    assert says in why and bool(why) is bool(says)


def test_a_card_is_thrown_away_before_anything_on_it_runs_out():
    from pipelines.publish.card import throw_away_on

    today, none = pd.Timestamp("2031-05-20"), pd.Series([], dtype="datetime64[us]")
    assert throw_away_on(today, [], none) == pd.Timestamp("2031-05-27")
    assert throw_away_on(today, [pd.Timestamp("2031-05-22"), pd.NaT], none) == pd.Timestamp("2031-05-22")
    assert throw_away_on(today, [today, pd.Timestamp("2031-05-22")], none) == today  # due today: good today alone
    air = pd.Series([pd.Timestamp("2031-05-21"), pd.Timestamp("2031-01-01"), pd.NaT])
    assert throw_away_on(today, [pd.Timestamp("2031-05-22")], air) == pd.Timestamp("2031-05-21")


def test_the_card_is_a_page_and_a_file_of_another_kind_is_refused(station, tmp_path):
    Reports(station).write("card", tmp_path / "card.html")
    page = html.unescape((tmp_path / "card.html").read_text(encoding="utf-8"))
    assert "Throw this card away when it is older than" in page and "Never fill above the pressure marked" in page
    for kind, name, wanted in (
        ("card", "card.pdf", ".html"),
        ("calendar", "dates.html", ".ics"),
        ("morning", "m", ".html"),
    ):
        with pytest.raises(ValueError, match=rf"--to {name}: the report {kind} is a \{wanted} file"):
            Reports(station).write(kind, tmp_path / name)
        assert not (tmp_path / name).exists()
    with pytest.raises(ValueError, match=r"--day 20\.5\.2031: not a day"):
        Reports(station, "20.5.2031")
