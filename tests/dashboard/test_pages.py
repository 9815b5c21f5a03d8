"""Every page answers its question from a snapshot, without a browser."""

import html
import re

import made_up
import numpy as np
import pandas as pd
import pytest
from made_up import HOSTILE, ME
from streamlit.testing.v1 import AppTest

from dashboard import parts
from dashboard.access import ROLES, Viewer
from dashboard.app import pages_of
from dashboard.data import open_snapshot
from dashboard.views import air, divers, season
from schemas import labels, words
from schemas.codes import sentence


def _script(published, page, role, member):
    from pathlib import Path

    import streamlit as st  # noqa: F401

    from dashboard.access import Viewer
    from dashboard.app import VIEWS
    from dashboard.data import open_snapshot

    VIEWS[page].page(open_snapshot(Path(published), Viewer(role, member)))


def run(published, page, role="alone", member=None, **state):
    test = AppTest.from_function(
        _script, default_timeout=20, kwargs={"published": str(published), "page": page, "role": role, "member": member}
    )
    for key, value in state.items():
        test.session_state[key] = value
    test.run()
    assert not test.exception, test.exception
    return test


def said(test) -> str:
    return "\n".join(element.proto.body for element in test.get("html"))


WORDS = {
    "filling": ["Do not hand over", "Check first"],
    "fleet": ["May not be filled: 1", "Due within 60 days: 1", "In date: 2", "Withdrawn or condemned: 1"],
    "divers": [
        "Share expected below, if dives stay like these",
        "No thin dive seen (14 dives)",
        "Not a gas plan",
        "Surfaced below 50\u00a0bar",
        "3 of 14",
        "common practice",
    ],
    "season": [
        "90th-percentile rate of the next dive",
        "Not a gas plan",
        "80 % interval",
        "not sure: it may be no change at all",
    ],
    "today": ["Do not fill from", "Held back: 1", "Since yesterday"],
    "air": ["Last air test failed", "Fills to call back: 1", "call the laboratory"],
    "inbox": [
        "Rejected, and how to fix it: 2",
        "line 48",
        "Map the unit in station.toml",
        "stop_pressure_bar",
        "A row was passed over.",
        "fills.csv: 3 rows",
    ],
}


@pytest.mark.parametrize("page", WORDS)
def test_a_page_says_what_it_is_for(published, page):
    text = said(run(published, page))
    for expected in WORDS[page]:
        assert expected in text


def fact(text: str, term: str) -> str:
    """What stands under a term, without markup."""
    return re.sub(r"<[^>]+>", " ", text.split(f"<dt>{term}</dt>")[1].split("</dd>")[0]).replace("\u00a0", " ")


def test_the_weight_with_the_gas_the_dive_ended_with_is_not_that_at_the_unusable_pressure(published):
    """The kit nets \u22124.9 kg at the end of its dives and floats by 0.4 kg at the unusable pressure."""
    text = said(run(published, "season", "diver", ME, season_part="kit"))
    end = fact(text, "Weight left at 5 m at the end")
    assert "4.9 kg" in end and "with the gas it ended with" in end
    assert "\u22120.4 kg" in fact(text, "Weight left at 5 m with the gas low")
    assert "It would float at 5 m with the gas low: on 14 of 14 dives" in text


def test_a_season_says_how_often_it_surfaced_below_the_least_pressure(published):
    text = said(run(published, "season", "diver", ME))
    low = fact(text, "Surfaced below 50\u00a0bar")
    assert "0 of 14" in low and "60 bar" in low and "common practice" in low


@pytest.mark.parametrize("member, thin", [("m-bert", True), (ME, False)])
def test_a_season_says_at_once_that_reserves_run_thin(published, member, thin):
    watch = open_snapshot(published, Viewer("diver", member)).table("reserve_watch")
    text = said(run(published, "season", "diver", member))
    reason = html.escape(str(watch["reason"].item()))
    assert (f"<strong>{reason}" in text.split("<dl")[0]) is thin


def test_divers_are_listed_worst_first_and_one_known_by_two_pressures_is_not_left_behind():
    columns = {
        "member_id": ["fine", "wide", "novice", "thin", "narrow"],
        "state": ["comfortable", "watch", "watch", "thin", "watch"],
        "chance_next_below": [0.0, 0.01, None, 0.4, 0.09],
        "dives_considered": [20, 20, 3, 20, 20],
        "dives_not_assessed": [0, 0, 3, 0, 0],
        "dives_below_policy": [0, 0, 0, 9, 1],
        "dives_below_surfacing_min": [0, 5, 3, 9, 0],
        "dives_surfaced_known": [20, 20, 3, 20, 20],
    }
    ordered = divers.worst_first(pd.DataFrame(columns))
    assert list(ordered["member_id"]) == ["thin", "novice", "narrow", "wide", "fine"]


def test_a_pressure_below_the_least_never_reads_as_the_least():
    assert words.under(49.7, 50, "bar") == "49.7\u00a0bar" and words.under(49.97, 50, "bar") == "49.97\u00a0bar"
    assert words.under(34.2, 50, "bar") == "34\u00a0bar" and words.under(float("nan"), 50) == "not known"


@pytest.mark.parametrize("page", WORDS)
def test_a_page_of_a_station_without_data_says_so(published_empty, page):
    run(published_empty, page)


@pytest.mark.parametrize("role, page", [(role, page) for role in ROLES for page in pages_of(role)])
def test_every_role_can_open_its_pages(published, role, page):
    run(published, page, role, ME if role == "diver" else None)


@pytest.mark.parametrize("part, unit", [("day", None), ("advice", "T12-1"), ("advice", "A11-2"), ("season", None)])
def test_every_part_of_filling_stands(published, part, unit):
    run(published, "filling", filling_part=part, unit=unit)


@pytest.mark.parametrize("part", ["state", "leaks", "plan", "life"])
def test_every_part_of_fleet_stands(published, part):
    run(published, "fleet", fleet_part=part, cylinder="A11-2")


@pytest.fixture
def called_back(tmp_path, monkeypatch):
    """The made-up station, with the last fill of A11-2 behind a failed air test."""
    rows = made_up.fills()
    last = rows["fill_id"] == "f023"
    rows.loc[last, ["air_state", "air_failed_on"]] = ["failed_later", pd.Timestamp("2031-05-05")]
    rows["reasons"] = [["air_test_failed_later"] if i else r for i, r in zip(last, rows["reasons"], strict=True)]
    monkeypatch.setattr(made_up, "fills", lambda: rows)
    made_up.publish(tmp_path)
    return tmp_path


@pytest.mark.parametrize("role", ["alone", "local_network"])
def test_gas_that_is_called_back_is_said_wherever_its_cylinder_stands(called_back, role):
    text = said(run(called_back, "filling", role, unit="A11-2"))
    assert "A11-2: may not be filled" in text and "What is inside is called back." in text
    assert "failed the next test (test of 5 May 2031)" in text and "Drain it before it is filled again" in text
    listed = said(run(called_back, "filling", role))
    assert "failed the next test (test of 5 May 2031)" in listed
    assert "its gas: called back" in said(run(called_back, "fleet", role))


def test_sources_whose_air_stands_failed_are_named_before_anything_is_asked(published):
    for unit, how in {None: "Do not fill from", "T12-1": "but not from", "A11-2": "Not from"}.items():
        text = said(run(published, "filling", unit=unit))
        assert f"{how} bank-3, comp-1" in text and "carbon monoxide 7 ppm, limit 5" in text


def test_no_word_of_may_be_filled_stands_beside_a_hold(published):
    """A11-2 may be filled by its dates and is held; S10-4 may not be filled: one verdict, the worse, is on top."""
    held = said(run(published, "filling", unit="A11-2", filling_part="held"))
    assert "A11-2: hold, do not hand it over" in held and "besides this one" in held
    assert "may be filled today" not in held + said(run(published, "filling", unit="S10-4", filling_part="log"))
    assert "passed its test" in said(run(published, "filling", unit="T12-1"))


def test_the_air_page_shows_of_each_quantity_its_last_measurement(tmp_path):
    """CO failed on the 5th, an oil-only test followed on the 9th: CO stands, with its day."""
    made_up.publish(tmp_path)
    from dashboard.views import air

    tests = pd.DataFrame(
        {
            "compressor_id": "comp-1",
            "sampled_on": pd.to_datetime(["2031-05-05", "2031-05-05", "2031-05-09", "2031-05-09"]),
            "quantity": ["co_ppm", "oil_mg_m3", "co_ppm", "oil_mg_m3"],
            "value": [7.0, 0.1, np.nan, 0.2],
            "verdict": ["fail", "pass", "not_measured", "pass"],
        }
    )
    last = air.last_measured(tests).set_index("quantity")
    assert last.loc["co_ppm", "verdict"] == "fail" and last.loc["co_ppm", "sampled_on"] == pd.Timestamp("2031-05-05")
    assert last.loc["oil_mg_m3", "value"] == 0.2
    assert "CO on 5 May 2031" in said(run(tmp_path, "air"))


@pytest.mark.parametrize(
    "unit, expected",
    [
        ("T12-1", "T12-1: may be filled today"),
        ("S10-4", "S10-4: may not be filled"),
        ("S15-9", "S15-9: may not be filled"),
        ("X-99", "X-99: may not be filled"),
    ],
)
def test_the_first_answer_is_whether_it_may_be_filled_and_who_decides(published, unit, expected):
    text = said(run(published, "filling", unit=unit))
    assert expected in text
    assert text.index(expected) < text.index("competent inspector decide")


@pytest.mark.parametrize(
    "page, part",
    [
        *((page, {}) for page in WORDS),
        ("filling", {"filling_part": "day", "labels": True}),
        ("filling", {"filling_part": "season"}),
        ("fleet", {"fleet_part": "life"}),
        *(("season", {"season_part": part}) for part in season.PARTS),
    ],
)
def test_markup_in_names_stays_text(published, page, part):
    text = said(run(published, page, unit="<script>alert(1)</script>", **part))
    assert "<img src=x" not in text and "<script" not in text and "<i>Nowhere" not in text
    if page == "divers":
        assert html.escape(HOSTILE) in text


def test_nothing_is_advised_for_a_cylinder_that_may_not_be_filled(published):
    assert "No pressure is advised: it may not be filled" in said(
        run(published, "filling", unit="S10-4", filling_part="advice")
    )


def test_a_viewer_needs_a_role():
    with pytest.raises(PermissionError):
        Viewer("admin")
    with pytest.raises(PermissionError):
        Viewer("diver")


@pytest.fixture(scope="module")
def of_last_day(published):
    fills = open_snapshot(published, Viewer("alone")).table("fill_quality")
    local = fills["filled_at"].dt.tz_convert("Europe/Dublin").dt.date
    return fills.assign(superseded=labels.superseded(fills))[local == local.max()]


def test_a_label_stands_on_screen_as_it_is_printed_and_none_for_a_fill_that_may_have_none(published, of_last_day):
    text = said(run(published, "filling", filling_part="day", labels=True))
    names = open_snapshot(published, Viewer("alone")).names()
    given = [row for row in of_last_day.to_dict("records") if not labels.withheld(row)]
    assert text.count('class="label"') == len(given) > 0
    assert len(given) < len(of_last_day)
    for row in given:
        for term, shown in labels.label(row, "Europe/Dublin", 1.4, names).lines:
            assert f"<dt>{html.escape(term)}</dt><dd>{html.escape(shown)}</dd>" in text
    assert text.count(labels.ANALYSE) == len(given) + 1


def test_a_list_shows_its_first_and_the_number_of_all_and_loses_none():
    lines = [parts.line(n, inside=["more"]) for n in "abcde"]
    shown = parts.one_by_one(lines, 3)
    assert shown.index("c</summary>") < shown.index("Show all 5") < shown.index("d</summary>")
    assert "Show all" not in parts.one_by_one(lines, 4)  # the last one takes no more room than the word
    assert "<details>" not in parts.line("alone") and "and 1 more" in parts.named("abc", 2)


def test_a_hold_list_says_a_reason_once_with_every_cylinder_and_the_air_that_is_not_known_good(tmp_path, monkeypatch):
    rows = made_up.fills()
    last = rows["fill_id"].isin(["f021", "f022", "f023"])
    rows.loc[last, ["verdict", "released"]] = ["stop", False]
    rows["reasons"] = [["not_in_test"] if i else r for i, r in zip(last, rows["reasons"], strict=True)]
    rows.loc[rows["fill_id"] == "f022", "air_state"] = "never_tested"
    monkeypatch.setattr(made_up, "fills", lambda: rows)
    made_up.publish(tmp_path)
    text = said(run(tmp_path, "filling"))
    assert "Do not hand over: 3" in text and text.count(html.escape(sentence("not_in_test"))) == 1
    lead = [line.split("</summary>")[0] for line in text.split("<summary>")[1:]]
    (untested,) = [line for line in lead if "S10-4" in line]
    assert words.AIR["never_tested"] in untested and not any("its air" in line for line in lead if "T12-1" in line)


def test_labels_bear_names_and_do_not_stand_on_the_local_network(published):
    text = said(run(published, "filling", "local_network", filling_part="day", labels=True))
    assert 'class="label"' not in text and "Dora" not in text


def test_the_fills_of_a_day_begin_with_what_is_to_be_looked_at(published):
    text = said(run(published, "filling", filling_part="day"))
    assert "Short: 1 (by 10\u00a0bar)." in text
    assert text.index("To be looked at") < text.index("The others")


def test_what_most_of_a_fleet_has_does_not_drown_what_is_rare(published):
    health = open_snapshot(published, Viewer("alone")).table("cylinder_health")
    one = health.iloc[0].to_dict() | {"score_reasons": ["often_short", "mass_lost"]}
    shown = parts.reasons(one, "score_reasons")
    assert shown.index("<details>") < shown.index(html.escape(sentence("often_short")))
    assert shown.index(html.escape(words.with_fix("mass_lost"))) < shown.index("<details>")
    assert sentence("often_short") in parts.reasons(one | {"score_reasons": ["often_short"]}, "score_reasons")


@pytest.mark.parametrize(
    "source, failed", [("comp-1", True), ("bank-3", True), ("comp-2", False), ("bank-1", False), ("bank-2", False)]
)
def test_nothing_is_advised_from_a_source_behind_which_the_last_air_test_failed(published, source, failed):
    typed = {"start_T12-1": "60", "source_T12-1": source}
    text = said(run(published, "filling", unit="T12-1", filling_part="advice", **typed))
    assert ("air test failed: do not fill" in text) is failed
    assert ("Stop at " in text) is not failed


def test_compressors_are_listed_worst_first_and_one_of_which_little_is_known_before_a_good_one():
    states, of_air = ["good", "attention", "good", "stop"], ["passed", "passed", "failed", "passed"]
    health = pd.DataFrame({"compressor_id": list("abcd"), "state": states, "air_state": of_air})
    assert air.worst_first(health, pd.DataFrame({"compressor_id": ["a", "e"]})) == ["c", "d", "b", "e", "a"]


def test_of_somebody_else_by_name_a_change_must_be_surer(published, monkeypatch):
    asked = []
    monkeypatch.setattr(season, "rate", lambda _trend, _dives, chance: asked.append(chance))
    run(published, "season", "diver", ME)
    run(published, "season", "manager")
    assert asked == [0.9, 0.975]


def test_the_overview_stands_before_the_detail(published):
    """A day of several fills takes none apart by itself; of many dives the first few stand open."""
    day = run(published, "filling", "manager", filling_part="day")
    one = next(w for w in day.selectbox if w.label.startswith("One fill"))
    assert one.value is None and len(one.options) > 1 and "Nominal 2" not in said(day)
    one.set_value(one.options[0].rpartition("(")[2].rstrip(")"))
    day.run()
    assert "the three add up to the difference" in said(day)
    diver = said(run(published, "divers", "manager", divers_part="one"))
    assert "Show all 7" in diver and 'class="rows' not in diver.partition("Show all 7")[0]
