"""No page shows a gap as a sign: where a figure is missing the sentence does without it, or says 'not known'."""

import html
import re

import made_up
import numpy as np
import pandas as pd
import pytest
from test_pages import run, said

from dashboard.rows import said_yes
from dashboard.views import filling, filling_day, fleet, season
from dashboard.views.air import limit_in_words
from schemas import words
from schemas.codes import divers, dives, fills, worst_codes_first
from schemas.codes import fleet as of_fleet
from schemas.snapshot import MANIFEST, read_manifest
from schemas.tables import TABLES

#: a placeholder that nothing filled, a missing value's own name, or a sign that stands where a figure should
GAP = re.compile(r"\{[a-z_]+[^}]*\}|(?<![\w.])(?:nan|NaN|NaT|None|<NA>|inf)(?![\w.])|(?<!\S)\?")
CODES = {
    "fill_quality": [c.code for c in fills.CODES],
    "cylinder_health": [c.code for c in of_fleet.CODES],
    "compressor_health": [c.code for c in of_fleet.CODES],
    "dive_consumption": [c.code for c in dives.CODES],
    "dive_reserve": [c.code for c in divers.CODES],
    "kit_balance": [c.code for c in divers.CODES],
    "consumption_trend": [c.code for c in divers.CODES],
}


@pytest.fixture(scope="module")
def hollow(tmp_path_factory):
    """A snapshot in which every code stands and every other figure is missing."""
    published = tmp_path_factory.mktemp("hollow") / "published"
    made_up.publish(published)
    for path in published.rglob("*.parquet"):
        table = TABLES.get(path.parent.name)
        if table is None:
            continue
        frame = pd.read_parquet(path)
        for name, field in table.fields.items():
            if name in table.key or name not in frame:
                continue
            if field.kind in ("float", "int"):
                frame.loc[np.arange(len(frame)) % 2 == 0, name] = None
            elif field.kind == "codes" and table.name in CODES and len(frame):
                frame[name] = [CODES[table.name]] * len(frame)
            elif field.kind == "text" and name in ("member_id", "operator", "source_id", "gauge_id", "held_by"):
                frame.loc[np.arange(len(frame)) % 2 == 0, name] = None
        frame.to_parquet(path)
    manifest = read_manifest(published)
    for part in (part for parts in manifest.tables.values() for part in parts.values()):
        part.sha256 = ""  # they are made hollow on purpose
    (published / manifest.name / MANIFEST).write_text(manifest.to_json(), encoding="utf-8")
    return published


def spoken(test) -> str:
    """What a person reads on a page: the text of its pieces, its widgets' labels, and what it says of figures."""
    text = html.unescape(re.sub(r"<[^>]+>", " ", said(test)))
    more = [getattr(e, "label", "") or "" for kind in ("selectbox", "text_input") for e in test.get(kind)]
    return "\n".join([text, *more])


PAGES = [
    *[("filling", {"filling_part": part}) for part in filling.PARTS],
    *[("filling", {"unit": unit, "filling_part": "advice", f"start_{unit}": "60"}) for unit in ("T12-1", "S10-4")],
    *[("fleet", {"fleet_part": part}) for part in fleet.PARTS],
    ("divers", {}),
    *[("season", {"season_part": part}) for part in season.PARTS],
    ("air", {}),
    ("inbox", {}),
    ("today", {}),
]


@pytest.mark.parametrize(
    "page, state", PAGES, ids=lambda v: v if isinstance(v, str) else "-".join(map(str, v.values()))
)
@pytest.mark.parametrize("station", ["hollow", "published"])
def test_nothing_a_person_reads_has_a_gap_in_it(request, station, page, state):
    text = spoken(run(request.getfixturevalue(station), page, **state))
    assert len(text) > 40
    found = GAP.search(text)
    assert not found, text[max(0, found.start() - 80) : found.end() + 40]


def test_a_limit_with_two_ends_is_said_with_both():
    said = pd.Series({"quantity": "o2_pct", "limit": 22.0, "limit_source": "EN 12021 (2014, restated; 20 to 22 %)"})
    assert limit_in_words(said) == "20 to 22"
    assert limit_in_words(said.replace({"o2_pct": "co_ppm", 22.0: 5.0})) == "5.00"


def test_a_stop_above_its_target_is_no_stop_that_was_early():
    fill = made_up.fills().iloc[1].copy()
    assert "Stopped early" in filling_day._in_words(fill)
    fill["stopped_early_free_l"] = -48.0
    above = filling_day._in_words(fill)
    assert "Stopped above target: 48\u00a0L more" in above and "−" not in above


def test_codes_stand_worst_first():
    assert worst_codes_first(["filter_life_estimated", "service_due", "filter_used_up"]) == [
        "filter_used_up", "service_due", "filter_life_estimated",
    ]  # fmt: skip


def test_a_failed_test_is_named_by_its_day_wherever_it_stands_against_the_air():
    failed_on = pd.Timestamp("2031-05-05")
    for state in words.AIR:
        named = "5 May 2031" in words.air(state, failed_on).replace("\u00a0", " ")
        assert named is (state in ("failed", "failed_later", "source_unknown")), state
    assert words.air("failed", None) == words.AIR["failed"] and words.air(None, failed_on) == "not known"


def test_unknown_is_not_yes():
    assert said_yes(pd.Series([True, False, None], dtype="boolean")).tolist() == [True, False, False]


@pytest.mark.parametrize(
    ("o2", "he", "text"),
    [(20.95, 0.0, "air"), (20.9, None, "air"), (32.0, 0.4, "O₂ 32.0 %"), (18.0, 45.0, "O₂ 18.0 %, He 45.0 %"),
     (21.0, 1.2, "O₂ 21.0 %, He 1.2 %"), (20.95, 0.5, "O₂ 20.9 %, He 0.5 %"), (None, 45.0, "not known")],
)  # fmt: skip
def test_a_trace_of_helium_is_none_and_half_a_per_cent_is_named(o2, he, text):
    assert words.mix(o2, he).replace("\u00a0", " ") == text


@pytest.mark.parametrize(
    ("days", "said"),
    [(-3, "3 days late"), (-1, "1 day late"), (0, "on the day"), (1, "1 day early"), (9, "9 days early")],
)
def test_a_visit_before_its_date_is_early(days, said):
    assert fleet._early(days).replace("\u00a0", " ") == said
