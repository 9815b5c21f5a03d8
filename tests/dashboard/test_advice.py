"""The what-ifs of the pages are one call of `shared`, and equal the calculator at the compressor."""

import json
import shutil
import subprocess
import sys
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from made_up import GAS_SOURCES, UNITS, fills
from typer.testing import CliRunner

from dashboard.access import Viewer
from dashboard.data import open_snapshot
from dashboard.views import filling_advice, filling_recipe
from dashboard.views.filling_advice import _gain, _refused
from dashboard.views.filling_day import _reads_at
from dashboard.views.filling_log_after import lent
from pipelines.station.settings import write_station
from schemas.advice import (
    Asked,
    Source,
    advise,
    conditions,
    inside_of,
    learned_for,
    methods_to_choose,
    needs_oxygen_service,
    oxygen_limit_pct,
    source_of,
    sources_to_choose,
    station_of,
)
from schemas.clearance import fill_clearance
from schemas.policy import Filling
from shared.filling.limits import filling_rules
from shared.filling.stop_advice import Learned, advise_stop

UNIT = UNITS[UNITS["unit_id"] == "S10-4"].iloc[0]
COMPRESSOR = Source("comp-1", "compressor")
ASKED = Asked(50.0, 300.0, 18.0, 8.0, 20.95, 0.0, COMPRESSOR, "air")


def test_the_advice_is_that_of_shared():
    advice = advise(UNIT, 1, ASKED, Learned(), "uk", Filling())
    straight = advise_stop(
        conditions(UNIT, 1, ASKED),
        300.0,
        300.0,
        filling_rules("uk"),
        Learned(),
        test_pressure_bar=450.0,
        working_pressure_bar=300.0,
        valve_rating_known=False,
    )
    assert advice == straight


def test_by_default_no_advice_is_above_the_permitted_pressure():
    for ambient in (-5.0, 18.0, 35.0):
        asked = Asked(30.0, 300.0, ambient, 4.0, 20.95, 0.0, COMPRESSOR, "air")
        advice = advise(UNIT, 1, asked, Learned(), "uk", Filling())
        assert advice.stop_pressure_bar <= 300.0
        assert advice.short_bar > 0 and advice.settles_low_bar < advice.settles_to_bar < advice.settles_high_bar


@pytest.mark.parametrize(
    ("gain_bar", "said"), [(3.24, ("3.2 bar", "stopping at 236 bar")), (0.04, ("nothing", "")), (0.0, ("nothing", ""))]
)
def test_what_a_slower_fill_would_gain_is_said_with_its_stop_and_nothing_where_it_gains_nothing(gain_bar, said):
    assert tuple(text.replace("\xa0", " ") for text in _gain(gain_bar, 236.9)) == said


MODEL = pd.DataFrame(
    {
        "station_id": "pier",
        "source_id": ["comp-1", "comp-1", "bank"],
        "material": ["steel", "aluminium", "steel"],
        "size": ["8.5 to 11 L", "over 16 L", "under 5 L"],
        "settled_fills": [10, 20, 5],
        "effect_bar": [-2.0, 3.0, 1.0],
        "effect_low_bar": [-3.0, 2.0, 0.0],
        "effect_high_bar": [-1.0, 4.0, 2.0],
    }
)


def test_the_nearest_lesson_is_taken_and_all_readings_of_the_station_are_counted():
    learned = learned_for(MODEL, "pier", "comp-1", "steel", 10.0)
    assert learned.effect_bar == -2.0 and learned.settled_fills == 35
    assert learned.sd_bar == pytest.approx(1 / 1.2815515655446004)
    assert learned_for(MODEL, "pier", "elsewhere", "steel", 3.0).effect_bar == 1.0
    assert learned_for(MODEL.head(0), "pier", "comp-1", "steel", 10.0) == Learned()


def test_settled_fills_of_another_station_open_no_overshoot_here():
    both = pd.concat([MODEL, MODEL.assign(station_id="quay", settled_fills=400)])
    assert learned_for(both, "pier", "comp-1", "steel", 10.0).settled_fills == 35
    assert learned_for(both, "quay", "comp-1", "steel", 10.0).settled_fills == 1200
    assert learned_for(both, "third", "comp-1", "steel", 10.0) == Learned()
    assert learned_for(both, None, "comp-1", "steel", 10.0) == Learned()
    unnamed = MODEL.assign(station_id=None)
    assert learned_for(unnamed, None, "comp-1", "steel", 10.0).settled_fills == 35


def test_the_station_is_that_of_the_source_s_last_fill():
    logged = fills().iloc[:3].assign(source_id=["a", "b", "a"], station_id=["pier", "quay", "dock"])
    logged["filled_at"] = pd.to_datetime(["2031-01-01", "2031-01-02", "2031-01-03"], utc=True)
    assert station_of(logged, "b") == "quay" and station_of(logged, "a") == "dock"
    assert station_of(logged, "never") == "dock" and station_of(logged.head(0), "a") is None


BANK = Source("bank", "bank")


@pytest.mark.parametrize(
    "o2, he, method, source, needed",
    [
        (20.95, 0, "air", COMPRESSOR, False),
        (21.0, 0, "partial_pressure", COMPRESSOR, True),
        (18.0, 45, "partial_pressure", COMPRESSOR, True),
        (21.0, 35, "partial_pressure", COMPRESSOR, True),
        (10.0, 70, "partial_pressure", BANK, True),
        (18.0, 45, "continuous", COMPRESSOR, False),
        (18.0, 45, "banked_mix", BANK, False),
        (20.95, 0, "banked_mix", Source("rich", "bank", 50.0), True),
        (20.95, 0, "air", Source("rich", "bank", 50.0), True),
        (32.0, 0, "continuous", COMPRESSOR, True),
    ],
)
def test_oxygen_service_is_needed_for_rich_gas_and_for_whatever_is_decanted(o2, he, method, source, needed):
    asked = Asked(50, 200, 15, 5, o2, he, source, method)
    assert bool(needs_oxygen_service(asked, 22.0).needed) is needed


@pytest.mark.parametrize(("own", "limit_pct"), [(40.0, 40.0), (21.0, 21.0), (None, 22.0), (np.nan, 22.0)])
def test_the_stations_own_limit_of_oxygen_goes_before_the_rule_sets_whichever_is_the_higher(own, limit_pct):
    assert oxygen_limit_pct(filling_rules("uk"), own) == limit_pct


def test_how_a_mix_gets_in_is_asked_wherever_there_is_a_question():
    assert methods_to_choose(20.95, 0.0, COMPRESSOR) == ["air"]
    assert "partial_pressure" in methods_to_choose(32.0, 0.0, COMPRESSOR)
    assert "partial_pressure" in methods_to_choose(18.0, 45.0, COMPRESSOR)
    assert methods_to_choose(20.95, 0.0, BANK)[0] == "banked_mix"


def test_the_outlet_of_the_compressor_is_that_of_its_log():
    """The table of fills and the page take the same gas in: 20 K above the surroundings, not the usual 10."""
    register = GAS_SOURCES.assign(outlet_rise_k=[20.0, *[np.nan] * (len(GAS_SOURCES) - 1)])
    hot = source_of(register, GAS_SOURCES["source_id"].iloc[0])
    assert conditions(UNIT, 1, replace(ASKED, source=hot)).delivery_c[0] == ASKED.ambient_c + 20.0
    assert conditions(UNIT, 1, ASKED).delivery_c[0] == ASKED.ambient_c + 10.0
    assert conditions(UNIT, 1, replace(ASKED, source=BANK)).delivery_c[0] == ASKED.ambient_c


@pytest.mark.parametrize("water_c", [2.0, 15.0, 28.0])
def test_what_it_reads_in_the_water_is_what_the_calculator_says(water_c):
    fill = fills().iloc[1]
    command = [
        sys.executable,
        "-m",
        "pipelines.cli",
        "gas",
        "settle",
        "--pressure-bar",
        str(fill["settled_pressure_bar_15c"]),
        "--from-c",
        "15",
        "--to-c",
        str(water_c),
        "--json",
    ]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode or not done.stdout.strip():
        command[1:3] = ["-c", "from pipelines.cli import main; main()"]
        done = subprocess.run(command, capture_output=True, text=True, check=True)
    assert _reads_at(fill, water_c) == pytest.approx(json.loads(done.stdout)["pressure_bar"], rel=2e-5)


def test_an_unknown_fill_reads_unknown():
    assert np.isnan(_reads_at(fills().assign(settled_pressure_bar_15c=np.nan).iloc[1], 10.0))


def test_what_a_source_is_comes_from_the_register():
    assert source_of(GAS_SOURCES, "bank-2").kind == "bank"
    assert source_of(GAS_SOURCES, "comp-1").kind == "compressor"
    assert source_of(GAS_SOURCES, "another") == Source("another", "", known=False)


def test_the_source_used_last_is_offered_first_and_one_never_used_last():
    assert sources_to_choose(GAS_SOURCES, fills()) == ["bank-1", "comp-1", "bank-2", "bank-3", "comp-2"]


@pytest.mark.parametrize(
    ("change", "code"),
    [
        ({}, None),
        ({"status": "withdrawn"}, "fill_withdrawn"),
        ({"inspection_state": "out_of_date"}, "fill_out_of_test"),
        ({"open_findings": ["thread_finding"]}, "fill_finding_open"),
        ({"start_pressure_bar": 1.0}, "fill_arrived_empty"),
        ({"o2_pct": 32.0, "fill_method": "partial_pressure"}, None),
        ({"o2_pct": 32.0, "fill_method": "partial_pressure", "oxygen_clean": False}, "fill_not_oxygen_clean"),
        ({"o2_pct": 32.0, "fill_method": "partial_pressure", "oxygen_clean": None}, "fill_not_oxygen_clean"),
        ({"air_state": "failed"}, "fill_air_failed"),
        ({"air_state": "overdue"}, None),
    ],
)
def test_nothing_is_advised_where_any_of_these_stands_against_it(change, code):
    said = {"inspection_state": "in_date", "status": "in_service", "open_findings": [], "oxygen_clean": True}
    said |= {"air_state": "passed"} | change
    cylinders = pd.DataFrame({name: ["in_date" if name == "inspection_state" else "in_service", said[name]]
                              for name in ("inspection_state", "status")})  # fmt: skip
    clearance = SimpleNamespace(cylinders=cylinders, **{name: said[name] for name in ("open_findings", "oxygen_clean")})
    sources = pd.DataFrame({"source_id": ["comp-1", "other"], "air_state": [said["air_state"], "failed"]})
    snapshot = SimpleNamespace(
        station={"rule_set": "uk"}, table=lambda _: sources, policy=lambda _, name: getattr(Filling(), name)
    )
    asked = replace(ASKED, **{name: value for name, value in change.items() if hasattr(ASKED, name)})
    assert _refused(snapshot, clearance, asked) == ([code] if code else [])


@pytest.fixture
def station(tmp_path, published):
    folder = tmp_path / "station"
    write_station(folder, name="Made up", time_zone="Europe/Dublin")
    shutil.copytree(published, folder / "published", dirs_exist_ok=True)
    return folder


def stop_of(station, *more, code=0):
    from pipelines.cli.calculator import app

    typed = ["stop", "--station", str(station), "--ambient-c", "18", "--source", "comp-2", *more]
    found = CliRunner().invoke(app, typed)
    assert found.exit_code == code, found.output
    return found.output


def test_the_calculator_says_of_a_unit_what_the_page_does(station, published):
    said = json.loads(stop_of(station, "--unit", "T12-1", "--start-bar", "60", "--minutes", "9", "--json"))
    snapshot = open_snapshot(published, Viewer("alone"))
    tables = ("units", "cylinder_health", "fill_quality", "gas_sources")
    clearance = fill_clearance("T12-1", *(snapshot.table(t) for t in tables))
    asked = Asked(60.0, 232.0, 18.0, 9.0, 20.95, 0.0, source_of(snapshot.table("gas_sources"), "comp-2"), "air")
    model, fills_ = snapshot.table("settling_model"), snapshot.table("fill_quality")
    learned = learned_for(model, station_of(fills_, "comp-2"), "comp-2", "steel", 24.0)
    page = advise(clearance.unit, 2, asked, learned, "uk", Filling(), inside_of(clearance))
    assert said["stop_pressure_bar"] == pytest.approx(page.stop_pressure_bar, abs=1e-5)
    assert said["settles_to_bar"] == pytest.approx(page.settles_to_bar, abs=1e-5)
    assert said["settled_fills"] == learned.settled_fills and said["limit_checked"] and said["caution"]
    assert "stop at 232.0 bar, from comp-2" in stop_of(station, "--unit", "T12-1", "--start-bar", "60")


def test_what_may_not_be_filled_gets_no_stop_and_what_lacks_names_its_option(station):
    assert "S10-4 may not be filled" in stop_of(station, "--unit", "S10-4", "--start-bar", "60", code=1)
    failed = stop_of(station, "--unit", "T12-1", "--start-bar", "60", "--source", "comp-1", code=1)
    assert "air test failed" in failed
    assert stop_of(station, "--unit", "T12-1", code=2).startswith("--start-bar: missing")
    mix = stop_of(station, "--unit", "T12-1", "--start-bar", "60", "--o2-pct", "32", code=2)
    assert mix.startswith("--method:")
    assert stop_of(station / "inbox", "--unit", "T12-1", code=2).startswith("--station:")


def test_of_a_unit_that_may_not_be_filled_no_pressure_is_advised(monkeypatch):
    shown: list[str] = []
    monkeypatch.setattr(filling_advice.parts, "show", lambda text: shown.append(str(text)))
    filling_advice.show(None, SimpleNamespace(may_be_filled=False, unit=UNIT), fills())
    assert "No pressure is advised: it may not be filled" in shown[-1]


@pytest.mark.parametrize(("clean", "said"), [(True, ""), (False, "oxygen"), (None, "unknown counts as not clean")])
def test_a_recipe_with_oxygen_is_refused_to_a_unit_not_known_to_be_clean(monkeypatch, clean, said):
    monkeypatch.setattr(filling_recipe, "_needs_clean", lambda *given: True)
    cylinders = pd.DataFrame({"inspection_state": ["in_date"], "status": ["in_service"]})
    clearance = SimpleNamespace(cylinders=cylinders, open_findings=[], oxygen_clean=clean)
    wish = SimpleNamespace(drained=False, have_bar=60.0, top=SimpleNamespace(source_id="comp-1"))
    good = GAS_SOURCES.assign(air_state="passed")
    snapshot = SimpleNamespace(policy=lambda *name: 2.0, table=lambda name: good)
    found = filling_recipe._refused(snapshot, clearance, wish, None)
    assert said in " ".join(found) and bool(found) is bool(said)


@pytest.mark.parametrize(("why", "worst"), [("inside_above_permitted", True), ("inside_holds_target", False)])
def test_a_unit_that_holds_more_than_is_permitted_is_shown_as_the_worst(monkeypatch, why, worst):
    shown: list[int] = []
    monkeypatch.setattr(filling_advice.parts, "bar", lambda title, severity, *more: shown.append(severity))
    monkeypatch.setattr(filling_advice.parts, "show", lambda what: None)
    advice = SimpleNamespace(nothing_to_add=why, inside_settles_bar=240.0, notes=())
    filling_advice._nothing_to_add(advice, {"permitted_bar": 232.0, "target_pressure_bar": 232.0})
    assert (shown == [4]) is worst and len(shown) == 1


@pytest.mark.parametrize(
    ("owner", "holder", "is_lent"),
    [("station", "M-03", True), ("M-01", "M-03", True), ("M-01", "station", True), ("station", "station", False),
     ("M-03", "M-03", False), ("station", None, False)],
)  # fmt: skip
def test_a_cylinder_is_lent_where_somebody_else_than_its_owner_has_it(owner, holder, is_lent):
    rows = pd.DataFrame({"owner_id": ["station", owner], "held_by": ["station", holder]}, dtype="str")
    assert lent(SimpleNamespace(cylinders=rows)) is is_lent
    assert lent(SimpleNamespace(cylinders=rows.head(0))) is False
