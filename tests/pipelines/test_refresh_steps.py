"""A step is given what it declares and nothing else, and is known by exactly that.

So a fingerprint cannot miss an input: what a step reads is declared, or it is not there to read.
"""

from dataclasses import fields, replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
import refresh_station as s

from pipelines.derive.fills import step as fills_step
from pipelines.refresh import engine
from pipelines.refresh import fills as fills_steps
from pipelines.refresh import step as steps
from pipelines.refresh.divers import _known_then
from pipelines.refresh.engine import WHOLE, Refresh, compute
from pipelines.refresh.fills import day_began
from pipelines.refresh.fleet import _before, _without_what_nothing_followed
from pipelines.refresh.hashing import FEW, frame_hash, row_hashes
from pipelines.refresh.order import STEPS
from pipelines.refresh.step import Given, NotDeclared, Part, Shelf, Step
from schemas.policy import SECTIONS, Policy
from schemas.sources import SOURCES
from schemas.tables import TABLES
from shared.air.purity import purity_rules
from shared.filling.limits import _all_rules
from shared.inspection.rules import rule_sets
from shared.rules.reading import RULES

BY_NAME = {step.name: step for step in STEPS}


#: beginnings of rule files, and what reads them, which remembers what it read
LOADERS = {"inspection_": rule_sets, "filling_": _all_rules, "purity": purity_rules}


@pytest.fixture(scope="module")
def made(tmp_path_factory, _kept_results) -> tuple[Refresh, dict[str, set[str]]]:
    """A refresh that has run, with all its frames on the shelf, and which rules each step read while it did."""
    read: dict[str, set[str]] = {}
    real = engine.compute

    def noted(step, given):
        for loader in LOADERS.values():
            loader.cache_clear()
        fills_steps._AT_HAND.clear()  # what one step of fills has prepared the next would not read
        try:
            return real(step, given)
        finally:
            found = {name for name, loader in LOADERS.items() if loader.cache_info().currsize}
            read[step.name] = read.get(step.name, set()) | found

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(_kept_results, "in_use", False)  # a result that is kept reads nothing
        patch.setattr(engine, "compute", noted)
        return s.shelf_of(s.MemoryStation(tmp_path_factory.mktemp("steps") / "quay", s.rows(), Policy())), read


@pytest.fixture(scope="module")
def refresh(made) -> Refresh:
    return made[0]


@pytest.fixture(scope="module")
def used_rules(made) -> dict[str, set[str]]:
    return made[1]


def on_shelf(refresh: Refresh, step: Step) -> Part:
    """A part of this step that reads whole frames; what is read later is empty."""
    later = {name: steps.Later("", pd.DataFrame) for name in step.reads if name not in refresh.shelf}
    return Part("M1", later=later)


def other(refresh: Refresh, name: str, frame: pd.DataFrame) -> Refresh:
    """The same refresh with another frame."""
    shelf = Shelf()
    for known in refresh.shelf._frames:
        shelf.put(known, frame if known == name else refresh.shelf[known])
    return replace(refresh, shelf=shelf, _fixed={})


def another(column: pd.Series) -> object:
    """A value that the column's first row does not have."""
    value = column.iloc[0]
    if isinstance(value, list | np.ndarray):
        return [*value, "other"]
    if isinstance(value, dict):
        return value | {"other": 1.0}
    kind = str(column.dtype)
    if kind.startswith("datetime64"):
        there = pd.Timestamp("2020-05-05", tz="UTC" if "UTC" in kind else None)
        return there if pd.isna(value) else value + pd.Timedelta(days=3)
    if kind in ("boolean", "bool"):
        return True if pd.isna(value) else not value
    if kind in ("float64", "Int64", "int64"):
        return 7 if pd.isna(value) else value + 11
    return "other"


def with_other_value(frame: pd.DataFrame, column: str) -> pd.DataFrame:
    values = list(frame[column])
    values[0] = another(frame[column])
    dtype = frame[column].dtype
    return frame.assign(**{column: pd.Series(values, index=frame.index, dtype=dtype)})


def each_column_changed(frame: pd.DataFrame) -> pd.DataFrame:
    """The first row, and below it one row a column, in which that column alone is another."""
    made = {}
    for n, name in enumerate(frame.columns):
        values = [frame[name].iloc[0]] * (len(frame.columns) + 1)
        values[n + 1] = another(frame[name])
        made[name] = pd.Series(values, dtype=frame[name].dtype)
    return pd.DataFrame(made)


# --- known by what it got ---------------------------------------------------------------------
def of_one(step: Step, name: str, frame: pd.DataFrame) -> str:
    """What stands for a frame in the step's fingerprint."""
    shelf = Shelf()
    shelf.put(name, frame)
    return shelf.fingerprint(step, name, None)


@pytest.mark.parametrize("name", BY_NAME)
def test_every_declared_column_is_in_the_fingerprint_and_no_other(refresh, name):
    step = BY_NAME[name]
    part = on_shelf(refresh, step)
    before = refresh.fingerprint(step, part)
    for read, columns in step.reads.items():
        if read in part.later:
            changed = replace(part, later=part.later | {read: steps.Later("other", pd.DataFrame)})
            assert refresh.fingerprint(step, changed) != before, read
            continue
        frame = refresh.shelf[read].head(3)
        assert len(frame), f"{read} has no row to change"
        whole = of_one(step, read, frame)
        shelf = Shelf()
        shelf.put(read, each_column_changed(frame))
        first = shelf.fingerprint(step, read, np.array([0]))
        for n, column in enumerate(frame.columns):
            declared = columns == steps.EVERY or column in columns
            assert (shelf.fingerprint(step, read, np.array([n + 1])) != first) == declared, f"{read}.{column}"
        assert of_one(step, read, frame.iloc[:-1]) != whole, f"a row less of {read}"
        assert of_one(step, read, pd.concat([frame, frame.iloc[:1]])) != whole, f"a row more of {read}"
        less = Part(part.name, {read: np.arange(len(refresh.shelf[read]) - 1)}, part.later)
        assert refresh.fingerprint(step, less) != before, f"{read} is not in the fingerprint"


@pytest.mark.parametrize("name", BY_NAME)
def test_the_settings_the_day_and_the_rules_count_where_they_are_declared(refresh, name, monkeypatch):
    step = BY_NAME[name]
    part = on_shelf(refresh, step)
    before = refresh.fingerprint(step, part)

    def now(**changes) -> str:
        return replace(refresh, _fixed={}, **changes).fingerprint(step, part)

    reads = {*step.settings}
    assert (now(policy=replace(refresh.policy, rule_set="fr")) != before) == ("rule_set" in reads)
    assert (now(policy=replace(refresh.policy, time_zone="Asia/Tokyo")) != before) == ("time_zone" in reads)
    for section, kind in SECTIONS.items():
        for setting in fields(kind):
            changed = replace(getattr(refresh.policy, section), **{setting.name: "other"})
            declared = bool({section, f"{section}.{setting.name}"} & reads)
            assert (now(policy=replace(refresh.policy, **{section: changed})) != before) == declared, setting.name
    assert (now(today=refresh.today + pd.Timedelta(days=1)) != before) == (step.day == "day")
    assert (now(today=refresh.today + pd.Timedelta(days=40)) != before) == bool(step.day)
    assert replace(refresh, _fixed={}).fingerprint(replace(step, version=step.version + 1), part) != before
    monkeypatch.setattr(engine, "rules_read", lambda _: {"other.toml": "other"})
    assert now() != before


def test_a_rule_file_counts_by_its_content_for_the_steps_that_declare_it(tmp_path, monkeypatch):
    for file in RULES.glob("*.toml"):
        (tmp_path / file.name).write_bytes(file.read_bytes())
    before = {step.name: steps.rules_read(step) for step in STEPS}
    monkeypatch.setattr(steps, "RULES", tmp_path)
    assert {step.name: steps.rules_read(step) for step in STEPS} == before
    for file in tmp_path.glob("*.toml"):
        was = file.read_text()
        file.write_text(was + "\n# another edition\n")
        changed = {step.name for step in STEPS if steps.rules_read(step) != before[step.name]}
        assert changed == {step.name for step in STEPS if any(file.name.startswith(r) for r in step.rules)}
        file.write_text(was)


def test_every_rule_file_that_a_step_reads_is_declared_and_no_other(used_rules):
    declared = {step.name: set(step.rules) for step in STEPS if step.rules}
    assert {name: found for name, found in used_rules.items() if found} == declared


def test_what_is_said_of_today_is_made_anew_every_day():
    """Dates of inspections, loans and tests of the air run out on a day; a month's own steps learn once a month."""
    of_a_day = {"units", "cylinder_health", "compressor_health", "gas_sources", "inspection_plan", "reserve_watch"}
    assert {table for step in STEPS if step.day == "day" for table in step.gives} >= of_a_day


def test_what_another_version_of_a_step_worked_out_is_not_taken_over(refresh):
    step = BY_NAME["trend_months"]
    for known_as, remembered in ((steps.step_digest(step), ["trend_model"]), ("another version", []), (None, [])):
        last = SimpleNamespace(steps={step.name: known_as} if known_as else {})
        publisher = SimpleNamespace(previous=last, has_previous=lambda *_: True, read_previous=lambda *_: "as it was")
        assert list(replace(refresh, publisher=publisher)._memo(step, WHOLE)) == remembered


def test_a_column_given_at_a_resolution_is_known_at_that_resolution(refresh):
    step = BY_NAME["dives"]
    part = on_shelf(refresh, step)
    fills = refresh.shelf["fills_of_dives"]
    fine = step.resolution["fills_of_dives.gas_c"]
    at = np.round(fills["gas_c"] / fine) * fine
    on = other(refresh, "fills_of_dives", fills.assign(gas_c=at))
    near = other(refresh, "fills_of_dives", fills.assign(gas_c=at + 0.4 * fine))
    far = other(refresh, "fills_of_dives", fills.assign(gas_c=at + 0.6 * fine))
    assert near.fingerprint(step, part) == on.fingerprint(step, part) != far.fingerprint(step, part)
    pd.testing.assert_series_equal(
        near.shelf.read(step, "fills_of_dives")["gas_c"], on.shelf.read(step, "fills_of_dives")["gas_c"]
    )


def test_a_member_is_given_what_all_shared_until_the_month_of_the_last_dive_and_nothing_later():
    months = pd.DataFrame({"month_on": pd.to_datetime(["2031-03-01", "2031-04-01", "2031-05-01"])})
    at = pd.to_datetime(["2031-04-30T23:00Z", "2031-03-02T10:00Z"])
    given = SimpleNamespace(shelf={"trend_model": months, "dive_consumption": pd.DataFrame({"started_at": at})})
    known_then = _known_then(given)
    assert [known_then(np.array(dives, int)).tolist() for dives in ([0, 1], [1], [])] == [[0, 1], [0], []]


def test_a_part_is_known_by_its_own_rows(refresh):
    step = BY_NAME["gas_added"]
    fills = refresh.shelf["fill_quality"]
    mine = Part("M1", rows={"fill_quality": np.flatnonzero(fills["member_id"].eq("M1"))})
    before = refresh.fingerprint(step, mine)
    theirs = with_other_value(fills[fills["member_id"].ne("M1")], "added_free_l")
    both = pd.concat([theirs, fills[fills["member_id"].eq("M1")]]).sort_index()
    assert other(refresh, "fill_quality", both).fingerprint(step, mine) == before
    assert refresh.given(step, mine)["fill_quality"]["added_free_l"].tolist() == (
        fills.loc[fills["member_id"].eq("M1"), "added_free_l"].tolist()
    )


# --- what is read today -----------------------------------------------------------------------
def _leaks_see(at: str, fills: int, many: int, monkeypatch) -> list[str]:
    """What the leak rates of 10 March in Auckland are given of two fills, at `at` and the day before."""
    monkeypatch.setattr(fills_step, "MANY_FILLS", many)
    today, zone = pd.Timestamp("2026-03-10"), "Pacific/Auckland"
    moments = pd.to_datetime(["2026-03-09T09:00+13:00", at], utc=True)
    made = pd.DataFrame({"fill_id": ["before", "then"], "filled_at": moments, "unit_id": "u"})
    dives = pd.DataFrame({"member_id": "m", "dive_id": ["before", "then"], "started_at": moments, "unit_id": "v"})
    shelf = Shelf()
    shelf.put("day_began", day_began(pd.DataFrame(index=range(fills)), today, zone))
    settled = dict.fromkeys(("settled_pressure_bar_15c", "settled_low_bar_15c", "settled_high_bar_15c"), 200.0)
    quality = made.assign(**settled, gas_c_basis="settled")
    frames = {"fills": made, "fill_quality": quality, "dives": dives, "dive_tank_use": dives}
    for name, frame in frames.items():
        shelf.put(name, frame)
    part = _before(SimpleNamespace(shelf=shelf, today=today, policy=Policy(time_zone=zone)))
    assert {tuple(rows) for rows in part.rows.values()} == {tuple(part.rows["fills"])}
    return made["fill_id"].iloc[part.rows["fills"]].tolist()


@pytest.mark.parametrize(
    ("at", "fills", "seen"),
    [
        ("2026-03-10T15:00+13:00", 9, True),  # few fills: what is read today counts today
        ("2026-03-10T23:59+13:00", 9, True),
        ("2026-03-11T00:00+13:00", 9, False),
        ("2026-03-10T15:00+13:00", 10, False),  # many: it counts tomorrow
        ("2026-03-10T00:00+13:00", 10, False),
        ("2026-03-09T23:59+13:00", 10, True),
    ],
)
def test_leak_rates_are_of_what_happened_until_the_day_ends_there_or_of_many_until_it_began(
    at, fills, seen, monkeypatch
):
    assert _leaks_see(at, fills, 10, monkeypatch) == (["before", "then"] if seen else ["before"])


def test_leaks_are_not_fitted_anew_for_what_is_read_of_a_cylinder_that_stands_there_full():
    hours = {"a1": 1, "a2": 5, "b": 2, "c": 3, "today": 30}
    at = pd.Timestamp("2026-03-09", tz="UTC") + pd.to_timedelta(list(hours.values()), unit="h")
    quality = pd.DataFrame({"fill_id": list(hours), "unit_id": ["a", "a", "b", "c", "a"], "filled_at": at})
    settled = ["settled_pressure_bar_15c", "settled_low_bar_15c", "settled_high_bar_15c"]
    quality = quality.assign(**dict.fromkeys(settled, 200.0), gas_c_basis="settled")
    dives = pd.DataFrame({"member_id": "m", "dive_id": ["1", "2"], "started_at": at[[3, 4]]})
    shelf = Shelf()
    use = dives[["member_id", "dive_id"]].assign(unit_id=["b", "c"])
    for name, frame in {"fill_quality": quality, "dives": dives, "dive_tank_use": use}.items():
        shelf.put(name, frame)
    before = quality["filled_at"] < pd.Timestamp("2026-03-10", tz="UTC")
    left = _without_what_nothing_followed(shelf, before, np.array([True, False])).set_index("fill_id")
    # the first of a was followed by the second, that of b by a dive; those of today are not asked for
    assert set(left.index[left[settled].notna().all(axis=1)]) == {"a1", "b", "today"}
    assert left["gas_c_basis"].tolist() == ["settled", "model", "settled", "model", "settled"]
    none = _without_what_nothing_followed(shelf, before, np.array([False, False]))
    assert none["gas_c_basis"].tolist() == ["settled", "model", "model", "model", "settled"]


# --- gets nothing else ------------------------------------------------------------------------
def _peeks(peek) -> Step:
    return Step("peek", 1, peek, ("units",), {"cylinders": ("cylinder_id",)}, settings=("fleet.due_soon_days",))


@pytest.mark.parametrize(
    "peek",
    [
        lambda g: g["fills"],
        lambda g: g["cylinders"]["owner_id"],
        lambda g: g.policy.filling,
        lambda g: g.policy.fleet.leak_probability,
        lambda g: g.policy.rule_set,
        lambda g: g.today,
    ],
)
def test_what_a_step_does_not_declare_is_out_of_its_reach(refresh, peek):
    step = _peeks(peek)
    given = refresh.given(step)
    assert given["cylinders"].columns.tolist() == ["cylinder_id"]
    assert given.policy.fleet.due_soon_days == 60
    with pytest.raises(KeyError) as raised:
        compute(step, given)
    assert "pipelines/refresh" in raised.value.__notes__[0]


def test_a_step_that_declares_what_is_not_there_says_so(refresh):
    step = Step("early", 1, dict, ("units",), {"cylinders": ("cylinder_id", "colour")})
    with pytest.raises(NotDeclared, match="colour"):
        refresh.fingerprint(step)
    with pytest.raises(NotDeclared, match="not there yet"):
        refresh.fingerprint(replace(step, reads={"later": ("x",)}))


def test_what_a_step_is_given_can_be_sent_to_another_process(refresh):
    import pickle

    for step in STEPS:
        if any(name not in refresh.shelf for name in step.reads):
            continue
        given = refresh.given(step, WHOLE)
        again = pickle.loads(pickle.dumps(given))
        assert isinstance(again, Given)
        assert again.keys() == given.keys()
        assert vars(again.policy) == vars(given.policy)


# --- the whole ---------------------------------------------------------------------------------
def test_every_published_table_comes_from_one_step_and_every_step_reads_what_is_there(refresh):
    given = [table for step in STEPS for table in step.gives]
    assert len(given) == len(set(given))
    of_runs = {"rejects", "ingest_files", "notices", "withdrawn", "hold_releases", "corrections", "runs"}
    assert {t.name for t in TABLES.values() if not t.internal} - of_runs <= set(given)
    made_on_the_way = {"dive_tanks_all", "fills_of_dives", "dive_links", "dive_air", "station_water", "day_began",
                       "water_readings", "fills_of_leaks", "first_fill_quality", "first_settling_check",
                       "fills_not_accepted", "inspections_not_taken"}  # fmt: skip
    for step in STEPS:
        for name, columns in step.reads.items():
            assert name in SOURCES or name in given or name in made_on_the_way, name
            if name in refresh.shelf and columns != steps.EVERY:
                assert set(columns) <= set(refresh.shelf[name].columns), f"{step.name} reads {name}"


# --- hashes ------------------------------------------------------------------------------------
def test_a_hash_sees_every_value_and_no_difference_of_bits_that_means_nothing():
    frame = pd.DataFrame(
        {
            "a": [1.0, np.nan, 0.0],
            "b": pd.Series(["x", None, "y"], dtype="str"),
            "c": [["p", "q"], [], None],
            "d": pd.to_datetime(["2026-01-01", None, "2026-01-03"], utc=True).astype("datetime64[us, UTC]"),
            "e": pd.array([True, None, False], dtype="boolean"),
        }
    )
    assert len(set(row_hashes(frame, frame.columns))) == 3
    same = frame.assign(a=[1.0, -np.float64("nan"), -0.0], c=[np.array(["p", "q"], object), [], np.nan])
    assert (row_hashes(frame, "abde") == row_hashes(same, "abde")).all()
    assert row_hashes(frame, "c")[0] == row_hashes(same, "c")[0]
    seen = {frame_hash(frame)}
    for column, value in (("a", 1.5), ("b", "z"), ("c", ["pq"]), ("c", ["p;q"]), ("d", pd.Timestamp(0, tz="UTC")),
                          ("e", False)):  # fmt: skip
        values = list(frame[column])
        values[0] = value
        seen.add(frame_hash(frame.assign(**{column: pd.Series(values, dtype=frame[column].dtype)})))
    assert len(seen) == 7
    assert frame_hash(frame.iloc[::-1]) != frame_hash(frame)
    assert frame_hash(frame.rename(columns={"a": "z"})) != frame_hash(frame)
    assert frame_hash(frame.iloc[:0]) != frame_hash(frame.iloc[:0, :2])


@pytest.mark.parametrize(
    "odd", [[], [["x\x1fy"]], [[""], ["", ""]], [[None]], [{"x": 1}, {"x": 2}], [[1], ["1"]], [["x", ["y"]], ["y"]]]
)
def test_lists_are_told_apart_however_many_there_are_and_whatever_stands_beside_them(odd):
    values = [["x", "y"], np.array(["y", "x"], object), ["xy"], [], None, ("x",), *odd]
    few = row_hashes(pd.DataFrame({"a": pd.Series(values, dtype="object")}), "a")
    assert len(set(few)) == len(values)
    many = row_hashes(pd.DataFrame({"a": pd.Series(values * FEW, dtype="object")}), "a")
    np.testing.assert_array_equal(many, np.tile(few, FEW))
    empty = row_hashes(pd.DataFrame({"a": pd.Series([[]] * FEW, dtype="object")}), "a")
    assert set(empty) == {few[3]}


def test_a_frame_that_shares_columns_has_the_fingerprint_that_it_has_by_itself():
    first = pd.DataFrame({"a": [1.0, 2.0], "b": [3.0, 4.0]})
    beside = first.assign(b=[5.0, 6.0], c=["x", "y"])
    step = replace(BY_NAME["people"], reads={"one": ("a", "b"), "other": ("a", "b", "c")})

    def prints(one, other, **how):
        shelf = Shelf()
        shelf.put("one", one)
        shelf.put("other", other, **how)
        return shelf, [shelf.fingerprint(step, name, None) for name in ("one", "other")]

    alone = prints(first, beside)[1]
    shelf, shared = prints(first, beside, same_as="one", but=("b",))
    assert shared == alone
    # what is put in the place of either is its own again
    moved = first.assign(a=[7.0, 8.0])
    shelf.put("one", moved)
    assert [shelf.fingerprint(step, name, None) for name in ("one", "other")] == prints(moved, beside)[1]
    shelf.put("one", first)
    shelf.put("other", beside, same_as="one", but=("b",))
    shelf.put("other", beside.assign(a=[9.0, 9.0]))
    assert shelf.fingerprint(step, "other", None) == prints(first, beside.assign(a=[9.0, 9.0]))[1][1]
