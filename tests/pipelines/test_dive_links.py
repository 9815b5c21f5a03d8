"""Which fill a dive began with, and which records are one dive."""

import pandas as pd
import pytest

from pipelines.derive.dives.step import link_fills
from tests.pipelines.dive_frames import C1, build, dive, fills, inputs, one, profile, tank, units


class TestFillLinks:
    def link(self, dive_times, fill_times, unit="c1", register=(C1,), days=60):
        dives = [dive(f"d{i}", t) for i, t in enumerate(dive_times)]
        frames = inputs(dives, [tank(f"d{i}", unit_id=unit) for i in range(len(dives))])
        filled = fills(
            *[{"fill_id": f"f{i}", "filled_at": pd.Timestamp(t, tz="UTC")} for i, t in enumerate(fill_times)]
        )
        return link_fills(frames["dive_tanks"], frames["dives"], filled, units(*register), days).set_index("dive_id")

    def test_the_last_fill_before_the_dive(self):
        links = self.link(["2031-06-03 10:00"], ["2031-06-01 10:00", "2031-06-02 10:00", "2031-06-04 10:00"])
        assert links.at["d0", "fill_id"] == "f1" and links.at["d0", "dives_since_fill"] == 0

    def test_another_dive_between_takes_the_link_away(self):
        links = self.link(["2031-06-03 10:00", "2031-06-03 14:00"], ["2031-06-02 10:00"])
        assert (
            links.at["d0", "fill_id"] == "f0"
            and pd.isna(links.at["d1", "fill_id"])
            and links.at["d1", "dives_since_fill"] == 1
        )

    def test_sixty_days_are_too_long(self):
        links = self.link(["2031-08-03 10:00"], ["2031-06-01 10:00"])
        assert pd.isna(links.at["d0", "fill_id"]) and pd.isna(links.at["d0", "dives_since_fill"])

    @pytest.mark.parametrize(("dived", "linked"), [("2031-07-31 10:00", True), ("2031-07-31 10:01", False)])
    def test_sixty_days_to_the_minute_are_not(self, dived, linked):
        links = self.link([dived], ["2031-06-01 10:00"])
        assert (links.at["d0", "fill_id"] == "f0") is linked

    def test_a_dive_begins_with_the_fill_of_its_own_minute(self):
        links = self.link(["2031-06-03 10:00"], ["2031-06-01 10:00", "2031-06-03 10:00"])
        assert links.at["d0", "fill_id"] == "f1" and links.at["d0", "dives_since_fill"] == 0

    def test_order_of_rows_changes_nothing(self):
        dives = [dive(f"d{i}", f"2031-06-0{i + 1} 10:00") for i in range(5)]
        tanks = [tank(f"d{i}", unit_id="c1") for i in range(5)]
        filled = [
            {"fill_id": f"f{i}", "filled_at": pd.Timestamp(f"2031-06-0{i + 1} 06:00", tz="UTC")} for i in range(0, 5, 2)
        ]
        a, b = inputs(dives, tanks), inputs(dives[::-1], tanks[::-1])
        links = [
            link_fills(f["dive_tanks"], f["dives"], fills(*k), units(C1)) for f, k in ((a, filled), (b, filled[::-1]))
        ]
        pd.testing.assert_frame_equal(*links)


class TestDuplicates:
    def test_two_computers_on_one_diver_are_one_dive(self):
        dives = [dive("a"), dive("b", "2031-06-01 10:01")]
        other = (
            profile("b", wobble_m=1.5)
            .query("t_s >= 60")
            .assign(t_s=lambda s: s["t_s"] - 60, depth_m=lambda s: s["depth_m"] * 1.01 + 0.1)
        )
        samples = [profile("a", wobble_m=1.5, bars={1: (210, 70)}), other]
        built = build(dives, [tank("a"), tank("b")], samples)
        assert built["dive_consumption"]["dive_id"].tolist() == ["a"]
        assert "recorded_twice" in one(built)["flags"]
        assert built["dive_duplicates"][["dive_id", "kept_dive_id", "reason"]].to_numpy().tolist() == [
            ["b", "a", "duplicate_dive"]
        ]

    def test_a_surface_interval_makes_two_dives(self):
        dives = [dive("a"), dive("b", "2031-06-01 11:30")]
        built = build(
            dives, [tank("a"), tank("b", start_pressure_bar=200.0, end_pressure_bar=90.0)], [profile("a"), profile("b")]
        )
        assert len(built["dive_consumption"]) == 2

    def test_the_same_export_with_a_wrong_clock_is_found_by_profile_and_pressures(self):
        dives = [dive("a"), dive("b", "2031-06-01 11:00")]
        samples = [profile(i, wobble_m=1.5, bars={1: (210, 70)}) for i in "ab"]
        assert len(build(dives, [tank("a"), tank("b")], samples)["dive_duplicates"]) == 1

    def test_two_unlike_dives_at_one_time_are_both_kept_and_named(self):
        dives = [dive("a"), dive("b", "2031-06-01 10:10")]
        built = build(dives, [tank("a"), tank("b")], [profile("a", depth_m=30.0), profile("b", depth_m=9.0)])
        assert all("overlaps_another_dive" in f for f in built["dive_consumption"]["flags"])

    def daily(self, count=6, **more):
        """Like square dives, one a day at ten, each with pressures of its own."""
        dives = [dive(f"d{i}", f"2031-06-0{i + 1} 10:00") for i in range(count)]
        tanks = [tank(f"d{i}", start_pressure_bar=205.0 + i, end_pressure_bar=70.0 + i, **more) for i in range(count)]
        return dives, tanks, [profile(f"d{i}") for i in range(count)]

    def test_like_dives_a_day_apart_all_count(self):
        built = build(*self.daily())
        assert len(built["dive_consumption"]) == 6 and not len(built["dive_duplicates"])
        assert not any({"recorded_twice"} & set(f) for f in built["dive_consumption"]["flags"])

    def test_the_same_dive_a_day_later_counts_and_is_named(self):
        dives = [dive("a"), dive("b", "2031-06-02 10:00"), dive("c", "2031-06-03 09:00")]
        built = build(dives, [tank(i) for i in "abc"], [profile(i) for i in "abc"])
        assert len(built["dive_consumption"]) == 3
        assert all("looks_like_another_dive" in f for f in built["dive_consumption"]["flags"][:2])

    def test_another_time_zone_needs_everything_to_the_letter(self):
        for other in ({"end_pressure_bar": 71.0}, {"unit_id": "c2"}, {"role": "stage"}):
            dives = [dive("a"), dive("b", "2031-06-01 12:00")]
            samples = [profile("a"), profile("b")]
            assert len(build(dives, [tank("a"), tank("b", **other)], samples)["dive_consumption"]) == 2
        dives = [dive("a"), dive("b", "2031-06-01 12:00")]
        found = build(dives, [tank("a"), tank("b")], [profile("a"), profile("b")])["dive_duplicates"]
        assert found["reason"].tolist() == ["duplicate_dive_other_clock"]
        dives[1]["started_at"] = pd.Timestamp("2031-06-01 12:20", tz="UTC")  # no time zone
        assert len(build(dives, [tank("a"), tank("b")], [profile("a"), profile("b")])["dive_consumption"]) == 2

    def test_two_computers_with_a_cylinder_each_leave_no_flattering_rate(self):
        dives = [dive("a"), dive("b")]
        tanks = [tank("a", unit_id="c1"), tank("b", unit_id="c2")]
        built = build(dives, tanks, [profile("a"), profile("b")])["dive_consumption"]
        assert len(built) == 2 and built["rmv_l_min"].isna().all()
        assert all({"gas_missing", "overlaps_another_dive"} <= set(f) for f in built["flags"])

    def test_pressures_of_its_own_make_a_dive_its_own(self):
        built = build(*self.daily(3))
        assert not any("looks_like_another_dive" in f for f in built["dive_consumption"]["flags"])


@pytest.mark.parametrize(
    "second, clash",
    [
        ({"started_at": "2031-06-01 10:20"}, True),
        ({"started_at": "2031-06-01 10:00"}, True),
        ({"started_at": "2031-06-01 10:35"}, False),  # their clocks differ
        ({"started_at": "2031-06-01 10:20", "role": "stage"}, False),
        ({"started_at": "2031-06-01 10:20", "unit_id": "c2"}, False),
        ({"started_at": "2031-06-01 10:20", "member_id": "m0"}, False),  # one diver's two records are another matter
    ],
)
def test_a_cylinder_on_the_backs_of_two_members_at_once_is_seen(second, clash):
    one = {"member_id": "m0", "dive_id": "a", "tank_no": 1, "unit_id": "c1", "role": "back"}
    one |= {"started_at": "2031-06-01 10:00", "duration_min": 40.0, "water_c": 10.0}
    rows = pd.DataFrame([one, one | {"member_id": "m1", "dive_id": "b"} | second])
    rows["started_at"] = pd.to_datetime(rows["started_at"], utc=True)
    linked = link_fills(rows, rows, fills().iloc[:0], units(C1))
    assert linked["dived_at_once"].tolist() == [clash, clash]
