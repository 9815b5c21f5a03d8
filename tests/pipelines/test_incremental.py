"""A refresh after a change gives, value for value, what one from nothing gives: over all published tables.

Each input's rows are added to, changed and removed, the day moves, each policy changes. The suite makes several of
these changes at a time; one at a time, which also sees a step that only ran because of another change, is the soak.
"""

import os
from copy import deepcopy
from dataclasses import fields, replace

import pandas as pd
import pytest
import refresh_station as s
import small_station

from schemas.policy import SECTIONS, Policy

#: of each input, a row to add, and a row to change with what it becomes
ADD: dict[str, dict] = {
    "members": {"member_id": "M3", "display_name": "Ada Sund"},
    "cylinders": s._cylinder("C9", manufactured_on="2012-01-01"),
    "set_members": {"set_id": "S1", "cylinder_id": "C1", "position": "left", "from_on": "2026-03-28"},
    "inspections": {"cylinder_id": "C2", "inspected_on": "2026-03-11", "kind": "hydrostatic", "result": "fail"},
    "gauges": {"gauge_id": "check gauge", "accuracy_class": 0.6, "span_bar": 400.0, "use": "check"},
    "sources": {"source_id": "B2", "kind": "bank", "fed_by": "K1"},
    "compressors": {"compressor_id": "K2", "service_hours": 400.0},
    "compressor_log": {"compressor_id": "K1", "read_at": "2026-03-25 09:00", "hours": 140.0, "event": "reading"},
    "air_tests": {"compressor_id": "K1", "sampled_on": "2026-03-05", "co_ppm": 30.0},
    "fills": s._fill(20, "C2", "24 10:00"),
    "releases": {"fill_id": "F9", "released_at": "2026-03-29 12:00", "released_by": "Jon", "reason": "drained"},
    "fill_readings": {"fill_id": "F7", "read_at": "2026-03-20 18:00", "settled_pressure_bar": 207.0, "settled_c": 14.0},
    "returns": {"unit_id": "C1", "back_at": "2026-03-31 10:00", "back_pressure_bar": 60.0},
    "loans": {"unit_id": "S1", "member_id": "M1", "out_at": "2026-03-31 09:00"},
    "dives": s._dive(9, "M2", "30 14:00", duration_min=30.0, mean_depth_m=9.0, max_depth_m=14.0),
    "dive_tanks": s._tank(2, "M2", "C1", tank_no=2, role="deco", start_pressure_bar=200.0, end_pressure_bar=150.0),
    "dive_samples": {"dive_id": "D1", "member_id": "M1", "t_s": 1815.0, "depth_m": 3.0, "tank_1_bar": 60.0},
    "kits": {"member_id": "M2", "valid_from": "2026-01-01", "lift_capacity_kg": 10.0, "ballast_kg": 4.0,
             "other_negative_kg": 1.0, "suit_buoyancy_kg": 8.0},
    "bookings": {"starts_on": "2026-05-10", "ends_on": "2026-05-12", "cylinders_needed": 9, "material": "steel"},
    "visits": {"visit_on": "2026-05-05", "capacity": 2, "back_on": "2026-05-06"},
}  # fmt: skip
CHANGE: dict[str, tuple[int, dict]] = {
    "members": (0, {"display_name": "Ines Vardal", "mix_qualification": "trimix"}),
    "cylinders": (1, {"owner_id": "M2", "water_capacity_l": 10.0}),
    "set_members": (1, {"to_on": "2026-03-10"}),
    "inspections": (0, {"result": "fail"}),
    "gauges": (0, {"offset_bar": 5.0}),
    "sources": (1, {"o2_pct": 31.0}),
    "compressors": (0, {"filter_life_hours": 10.0}),
    "compressor_log": (1, {"outlet_c": 46.0}),
    "air_tests": (2, {"co_ppm": 1.0}),
    "fills": (0, {"stop_pressure_bar": 215.0}),
    "releases": (0, {"fill_id": "F9", "released_at": "2026-03-30 09:00"}),
    "fill_readings": (0, {"analysed_o2_pct": 24.0}),
    "returns": (0, {"unit_id": "C1", "back_at": "2026-03-31 08:00"}),
    "loans": (0, {"member_id": "M1"}),
    "dives": (1, {"water": "fresh", "water_c": 4.0}),
    "dive_tanks": (2, {"end_pressure_bar": 20.0}),
    "dive_samples": (20, {"depth_m": 40.0}),
    "kits": (0, {"ballast_kg": 1.0}),
    "bookings": (0, {"cylinders_needed": 6}),
    "visits": (0, {"capacity": 0}),
}
REMOVE = {name: len(rows) - 1 for name, rows in s.rows().items() if name != "links"}
#: policies that must be given together with others, or that only words would feel
OTHER_VALUES = {"relief_bar": 260.0, "purity_standard": "cga_e", "depth_calibration": "en13319", "stressed_rate": "own",
                "uddf_pressure": "absolute", "hot_limit": "rule_set", "oxygen_limit_pct": 33.0, "thirds": True,
                "test_interval_days": 20, "co_limit_ppm": 20.0}  # fmt: skip


def added(rows: s.Rows, *sources: str) -> None:
    """Each of these inputs has a row more."""
    for source in sources:
        rows[source] = [*rows[source], ADD[source]]
        rows[source].sort(key=lambda r: (str(r.get("dive_id")), r.get("t_s", 0.0)) if source == "dive_samples" else 0)


def changed(rows: s.Rows, *sources: str) -> None:
    """A row of each of these inputs is another."""
    for source in sources:
        at, values = CHANGE[source]
        rows[source] = [row | values if n == at else row for n, row in enumerate(rows[source])]


def removed(rows: s.Rows, *sources: str) -> None:
    """The last row of each of these inputs is gone, and what hung on it as far as it would not be accepted then."""
    for source in sources:
        rows[source] = [row for n, row in enumerate(rows[source]) if n != REMOVE[source]]
    gone = {r["dive_id"] for r in s.rows()["dives"]} - {r["dive_id"] for r in rows["dives"]}
    for source in ("dive_tanks", "dive_samples"):
        rows[source] = [row for row in rows[source] if row["dive_id"] not in gone]


def policies() -> list[tuple[str, Policy]]:
    """Each setting of the policy at another value."""
    made = [("rule_set", Policy(rule_set="us")), ("time_zone", Policy(time_zone="Pacific/Auckland"))]
    for section, kind in SECTIONS.items():
        for setting in fields(kind):
            now = getattr(kind(), setting.name)
            value = OTHER_VALUES.get(setting.name, now * 2 if isinstance(now, int | float) else now)
            high = setting.metadata["high"]
            if high is not None and isinstance(value, int | float) and value > high:
                value = type(value)(high) if now != high else now / 2
            assert value != now, f"{setting.name}: no other value"
            made.append((f"{section}.{setting.name}", Policy(**{section: replace(kind(), **{setting.name: value})})))
    return made


def same(station: s.MemoryStation, manifest) -> dict[str, pd.DataFrame]:
    """What was published is what a refresh from nothing publishes, bit for bit; gives the tables."""
    tables, fresh = station.tables(manifest), station.tables(station.refresh(anew=True)[1])
    small_station.same(tables, fresh)
    return tables


def differ(left: dict[str, pd.DataFrame], right: dict[str, pd.DataFrame]) -> set[str]:
    """Names of the tables that are not the same."""
    return {n for n in left.keys() | right.keys() if n not in left or n not in right or not left[n].equals(right[n])}


def made_at(folder) -> s.MemoryStation:
    """A station after its first refresh."""
    made = s.MemoryStation(folder / "quay", s.rows(), Policy())
    made.refresh()
    return made


@pytest.fixture(scope="module")
def station(tmp_path_factory) -> s.MemoryStation:
    """One station for all tests of the suite: each brings it from whatever it was to something else."""
    return made_at(tmp_path_factory.mktemp("incremental"))


def test_rows_added_changed_and_removed_in_every_input_give_what_a_refresh_from_nothing_gives(station):
    rows = deepcopy(s.rows())
    for change in (changed, removed, added):
        change(rows, *ADD)
    station.rows = rows
    station.store()
    _, manifest = station.refresh()
    same(station, manifest)


def test_a_later_day_and_other_policies_give_what_a_refresh_from_nothing_gives(station):
    station.today += pd.Timedelta(days=40)
    made = Policy(rule_set="us", time_zone="Pacific/Auckland")
    for path, policy in policies():
        section, _, name = path.partition(".")
        if name:
            other = replace(getattr(made, section), **{name: getattr(getattr(policy, section), name)})
            made = replace(made, **{section: other})
    station.policy = made
    _, manifest = station.refresh()
    same(station, manifest)


def test_nothing_changed_makes_nothing_anew_and_order_of_rows_is_no_change(station):
    _, before = station.refresh()
    # samples keep their order: a part of the lake is known by its bytes
    station.rows = {n: rows if n == "dive_samples" else rows[::-1] for n, rows in station.rows.items()}
    station.store()
    made, manifest = station.refresh()
    assert made == {}
    assert not differ(station.tables(before), station.tables(manifest))


# --- one at a time ----------------------------------------------------------------------------
SOAK = pytest.mark.soak
FULL = os.environ.get("COLDFILL_SOAK") == "full"


@SOAK
@pytest.mark.parametrize(
    ("change", "source"),
    [(c, s) for c in (added, changed, removed) for s in sorted(ADD)]
    if FULL
    else [(added, "dive_tanks"), (changed, "cylinders"), (removed, "dive_tanks")],
    ids=lambda v: v if isinstance(v, str) else v.__name__,
)
def test_one_row_of_one_input_at_a_time(tmp_path, change, source):
    station = made_at(tmp_path)
    before = station.tables(station.previous)
    change(station.rows, source)
    station.store()
    _, manifest = station.refresh()
    tables = same(station, manifest)
    # a change that no table shows would test nothing; a source of its own that nothing is filled from is one
    assert differ(before, tables) or (source, change) in {("gauges", removed)}, "the change shows nowhere"


@SOAK
@pytest.mark.parametrize(("path", "policy"), policies() if FULL else policies()[:1], ids=str)
def test_one_policy_at_a_time(tmp_path, path, policy):
    station = made_at(tmp_path)
    station.policy = policy
    _, manifest = station.refresh()
    same(station, manifest)


@SOAK
def test_one_day_at_a_time(tmp_path):
    station = made_at(tmp_path)
    for _ in range(60 if FULL else 2):
        station.today += pd.Timedelta(days=1)
        _, manifest = station.refresh()
        same(station, manifest)
