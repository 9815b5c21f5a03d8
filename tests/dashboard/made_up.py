"""A small made-up snapshot for the pages: figures that hang together, no physics, hostile names."""

from pathlib import Path

import numpy as np
import pandas as pd

from pipelines.publish.snapshot import Publisher
from schemas.logins import hashed_roles, member_logins
from schemas.snapshot import Manifest, read_manifest

HOSTILE = "<img src=x onerror=alert(1)><b>Mallory</b> & [a](javascript:alert(1)) $x$ **bold**"
ME, OTHER = "m-anna", "m-bert"
MY_ADDRESS, BOSS_ADDRESS = "anna@weir.example", "boss@weir.example"
NOW = pd.Timestamp("2031-06-30T18:00:00Z")
STATION = {
    "name": "Pier of <i>Nowhere</i>",
    "time_zone": "Europe/Dublin",
    "rule_set": "uk",
    "roles": hashed_roles({MY_ADDRESS: "diver", BOSS_ADDRESS: "manager"}),
    "roles_claim": "",
    "policy": {
        "filling": {"short_bar": 10.0, "least_arrival_bar": 2.0},
        "fleet": {"due_soon_days": 60, "leak_flag_bar_per_day": 0.5},
        "reserve": {
            "team_size": 2,
            "stressed_rmv_l_min": 30.0,
            "minutes_before_ascent": 1.0,
            "ascent_m_min": 9.0,
            "stop_min": 3.0,
            "stop_depth_m": 5.0,
            "unusable_bar": 10.0,
            "surfacing_min_bar": 50.0,
        },
    },
}

UNITS = pd.DataFrame(
    [
        ("T12-1", "T12-1", None, True, "steel", 24.0, "register", 232.0, 232.0, 300.0),
        ("T12-1L", "T12-1", "left", True, "steel", 12.0, "register", 232.0, 232.0, 300.0),
        ("T12-1R", "T12-1", "right", True, "steel", 12.0, "register", 232.0, 232.0, 300.0),
        ("S10-4", None, None, False, "steel", 10.0, "register", 300.0, 300.0, 450.0),
        ("A11-2", None, None, False, "aluminium", 11.1, "rated", 207.0, 207.0, 311.0),
        ("S15-9", None, None, False, "steel", 15.0, "register", 232.0, 232.0, 348.0),
    ],
    columns=[
        "unit_id",
        "set_id",
        "side",
        "joined",
        "material",
        "water_capacity_l",
        "capacity_basis",
        "working_pressure_bar",
        "permitted_bar",
        "test_pressure_bar",
    ],
)

UNITS["in_test_today"] = pd.array([True, True, True, False, True, False], dtype="boolean")
UNITS["oxygen_clean_today"] = pd.array([True, True, True, False, True, False], dtype="boolean")
GAS_SOURCES = pd.DataFrame(
    {
        "source_id": ["comp-1", "comp-2", "bank-1", "bank-2", "bank-3"],
        "kind": ["compressor", "compressor", "bank", "bank", "bank"],
        "fed_by": [None, None, "comp-2", "bank-1", "comp-1"],
        "air_state": ["failed", "passed", "passed", "passed", "failed"],
        "compressor_id": ["comp-1", "comp-2", "comp-2", "comp-2", "comp-1"],
        "air_failed_on": pd.to_datetime(["2031-05-05", None, None, None, "2031-05-05"]),
        "air_fault": ["carbon monoxide 7 ppm, limit 5", None, None, None, "carbon monoxide 7 ppm, limit 5"],
        "o2_pct": np.nan,
        "outlet_rise_k": np.nan,
    }
)

HEALTH = pd.DataFrame(
    [
        ("T12-1L", "station", None, "T12-1", "in_service", "2033-01-10", "visual", 560, "in_date", None, False, []),
        (
            "T12-1R",
            "station",
            None,
            "T12-1",
            "in_service",
            "2031-07-20",
            "hydrostatic",
            20,
            "due_soon",
            None,
            False,
            [],
        ),
        ("S10-4", OTHER, OTHER, None, "in_service", "2031-05-02", "hydrostatic", -59, "out_of_date", None, False, []),
        (
            "A11-2",
            "station",
            ME,
            None,
            "in_service",
            "2034-02-01",
            "hydrostatic",
            900,
            "in_date",
            1.4,
            True,
            ["leaking"],
        ),
        ("S15-9", "station", None, None, "withdrawn", None, None, None, "unknown", None, False, []),
    ],
    columns=[
        "cylinder_id",
        "owner_id",
        "held_by",
        "set_id",
        "status",
        "next_due_on",
        "next_due_kind",
        "days_to_due",
        "inspection_state",
        "leak_bar_per_day",
        "leak_flag",
        "score_reasons",
    ],
)

HEALTH["next_due_on"] = pd.to_datetime(HEALTH["next_due_on"])


def fills() -> pd.DataFrame:
    rows = []
    verdicts = ["good", "short", "attention", "stop"]
    for i in range(24):
        unit = ["T12-1", "S10-4", "A11-2"][i % 3]
        capacity = {"T12-1": 24.0, "S10-4": 10.0, "A11-2": 11.1}[unit]
        target = {"T12-1": 232.0, "S10-4": 300.0, "A11-2": 207.0}[unit]
        settled = target - 4 - 2 * (i % 9)
        nominal = capacity * target
        early, cooling = capacity * 1.0, capacity * (target - 1.0 - settled)
        real = nominal - early - cooling - 0.03 * nominal
        rows.append(
            {
                "fill_id": f"f{i:03d}",
                "filled_at": NOW - pd.Timedelta(hours=6 * (23 - i)),
                "unit_id": unit,
                "station_id": "pier",
                "operator": HOSTILE if i % 2 else "Cora",
                "source_id": ["comp-1", "bank-1"][i % 2],
                "gauge_id": "g1",
                "member_id": [ME, OTHER, None][i % 3],
                "water_capacity_l": capacity,
                "working_pressure_bar": target,
                "permitted_bar": target,
                "start_pressure_bar": 50.0,
                "target_pressure_bar": target,
                "stop_pressure_bar": target - 1.0,
                "ambient_c": 18.0,
                "fill_minutes": 6.0,
                "gas_c": 40.0,
                "gas_c_basis": "model",
                "settled_pressure_bar_15c": settled,
                "settled_low_bar_15c": settled - 3,
                "settled_high_bar_15c": settled + 3,
                "settled_pressure_bar_ref": settled,
                "reference_c": 15.0,
                "water_c": 11.0,
                "water_c_basis": "last_fortnight",
                "reads_in_water_bar": settled - 3,
                "nominal_free_l": nominal,
                "real_free_l": real,
                "real_low_free_l": real * 0.985,
                "real_high_free_l": real * 1.015,
                "shortfall_free_l": nominal - real,
                "shortfall_pct": 100 * (nominal - real) / nominal,
                "stopped_early_free_l": early,
                "cooling_free_l": cooling,
                "compressibility_free_l": 0.03 * nominal,
                "cooling_bar": target - 1 - settled,
                "over_working_pressure": False,
                "o2_pct": 32.1 if i % 4 == 2 else 20.95,
                "he_pct": 0.0,
                "expected_o2_pct": 31.8,
                "expected_he_pct": 0.0,
                "o2_error_pct": 0.1,
                "mix_verdict": "in_tolerance",
                "max_operating_depth_m": 33.61,
                "max_operating_depth_deco_m": 39.8,
                "min_operating_depth_m": 0.0,
                "analysed_o2_pct": 32.1 if i % 4 == 2 else 20.9,
                "analysed_he_pct": 0.0,
                "analysed_by": HOSTILE if i % 2 else "Dora",
                "analysed_at": NOW - pd.Timedelta(hours=6 * (23 - i)),
                "in_test": unit != "S10-4",
                "oxygen_clean": unit == "T12-1",
                "fill_rate_bar_min": 30.0,
                "added_free_l": capacity * 150,
                "gas_mass_kg": 3.1,
                "verdict": verdicts[i % 4],
                "reasons": [["short_fill", "hot_stop"], [], ["not_in_test", "short_fill"]][i % 3] if i % 4 else [],
                "released": i == 3,
                "air_state": "failed" if i == 20 else "passed",
                "air_failed_on": pd.Timestamp("2031-05-05") if i == 20 else pd.NaT,
                "latest_fill": i > 20,
                "cylinder_ids": ["T12-1L", "T12-1R"] if unit == "T12-1" else [unit],
                "handed_over_verdict": "good",
                "handed_over_settled_bar_15c": settled + 5,
            }
        )
    return pd.DataFrame(rows)


def dives(member: str) -> dict[str, pd.DataFrame]:
    n, seed = 14, sum(member.encode()) % 7
    at = [NOW - pd.Timedelta(days=12 * (n - k)) for k in range(n)]
    ids = [f"{member}-d{k:02d}" for k in range(n)]
    rmv = 16 + np.sin(np.arange(n) + seed)
    use = pd.DataFrame(
        {
            "dive_id": ids,
            "member_id": member,
            "started_at": at,
            "fill_id": [f"f{k:03d}" for k in range(n)],
            "dives_since_fill": 1,
            "duration_min": 44.0,
            "mean_depth_m": 15.2,
            "max_depth_m": 28.4,
            "mean_ambient_bar_abs": 2.5,
            "gas_used_free_l": rmv * 110,
            "gas_used_low_free_l": rmv * 107,
            "gas_used_high_free_l": rmv * 113,
            "cooling_bar": 12.0,
            "rmv_l_min": rmv,
            "rmv_low_l_min": rmv * 0.97,
            "rmv_high_l_min": rmv * 1.03,
            "ideal_rmv_l_min": rmv * 1.09,
            "sac_bar_min": 0.8,
            "max_ppo2_bar": 1.2,
            "method": "trace",
            "flags": [[] if k else ["gas_shared"] for k in range(n)],
        }
    )
    trend = pd.DataFrame(
        {
            "member_id": member,
            "dive_id": ids,
            "started_at": at,
            "level_rmv_l_min": 16.0,
            "level_low_l_min": 15.2,
            "level_high_l_min": 16.9,
            "planning_rmv_l_min": 18.4,
            "slope_pct_per_month": -1.1,
            "slope_low_pct": -2.4,
            "slope_high_pct": 0.2,
            "slope_sure": False,
            "change_12m_pct": -12.0,
            "change_12m_low_pct": -17.0,
            "change_12m_high_pct": -6.0,
            "chance_risen": 0.04,
            "trend": "falling",
        }
    )
    margin = 300 - 55.0 * np.arange(n)[::-1] % 700
    reserve = pd.DataFrame(
        {
            "dive_id": ids,
            "member_id": member,
            "surfaced_bar": 60.0,
            "surfaced_free_l": 1300.0,
            "below_surfacing_min": False,
            "least_margin_free_l": margin,
            "least_margin_at_s": 1500.0,
            "least_margin_depth_m": 27.0,
            "required_free_l_there": 900.0,
            "below_policy": margin < 0,
            "cause": np.where(margin < 0, "cooling", "none"),
            "cause_shares": [
                {"started_short": 0.1, "cooling": 0.6, "consumption": 0.05, "profile": 0.25} if m < 0 else None
                for m in margin
            ],
            "flags": [[] for _ in ids],
        }
    )
    t = np.arange(0, 2640, 30.0)
    depth = np.clip(np.minimum(t / 60 * 9, (2640 - t) / 60 * 3), 0, 28)
    usable, needed = 2600 - t * 0.75, 60 * (1 + 0.1 * depth) * (1 + depth / 9)
    profile = pd.concat(
        [
            pd.DataFrame(
                {
                    "dive_id": d,
                    "member_id": member,
                    "t_s": t,
                    "depth_m": depth,
                    "tank_bar": 220 - t / 18,
                    "gas_c": 12.0,
                    "usable_free_l": usable,
                    "required_free_l": needed,
                    "margin_free_l": usable - 240 - needed,
                }
            )
            for d in ids
        ]
    )
    tanks = pd.DataFrame(
        {
            "dive_id": ids,
            "member_id": member,
            "tank_no": 1,
            "unit_id": "T12-1",
            "role": "back",
            "o2_pct": 20.95,
            "he_pct": 0.0,
            "start_pressure_bar": 220.0,
            "end_pressure_bar": 70.0,
            "gas_used_free_l": rmv * 110,
            "gas_used_low_free_l": rmv * 107,
            "gas_used_high_free_l": rmv * 113,
            "cooling_bar": 12.0,
            "fill_id": [f"f{k:03d}" for k in range(n)],
        }
    )
    kit = pd.DataFrame(
        {
            "dive_id": ids,
            "member_id": member,
            "gas_mass_start_kg": 6.1,
            "gas_mass_end_kg": 2.0,
            "net_start_kg": -9.0,
            "net_end_kg": -4.9,
            "net_low_gas_kg": -3.4,
            "lift_margin_kg": 5.0,
            "ballast_margin_kg": -0.4,
            "flags": [["ballast_short"] for _ in ids],
        }
    )
    return {
        "dive_consumption": use,
        "consumption_trend": trend,
        "dive_reserve": reserve,
        "dive_profile": profile,
        "dive_tank_use": tanks,
        "dive_duplicates": pd.DataFrame(
            {
                "member_id": member,
                "dive_id": [f"{member}-again"],
                "started_at": at[:1],
                "kept_dive_id": ids[:1],
                "reason": "duplicate_dive",
            }
        ),
        "kit_balance": kit,
    }


def publish(published: Path, *, name: str | None = None, **tables: pd.DataFrame) -> Manifest:
    """Write the snapshot, with other rows of some tables, and point at it."""
    made = Publisher(published, None, pd.Timestamp(name or "2031-06-30T18:00:00.000001"))
    whole = {
        "fill_quality": fills(),
        "units": UNITS,
        "gas_sources": GAS_SOURCES,
        "cylinder_health": HEALTH.assign(
            next_due_on=pd.to_datetime(HEALTH["next_due_on"]),
            rule_set="uk",
            fills_since_hydrostatic=8,
            short_fill_share=0.3,
            last_seen_at=NOW,
            leak_low_bar_per_day=HEALTH["leak_bar_per_day"] - 0.3,
            leak_high_bar_per_day=HEALTH["leak_bar_per_day"] + 0.3,
            leak_basis="cylinder",
        ),
        "people": pd.DataFrame({"member_id": [ME, OTHER], "display_name": ["Anna Weir", HOSTILE]}),
        "cylinder_life": pd.DataFrame(
            {
                "cylinder_id": "A11-2",
                "at": [NOW - pd.Timedelta(days=d) for d in range(9)],
                "event": ["filled", "arrived", "lent"] * 3,
                "code": [None, None, OTHER] * 3,
                "value": 200.0,
                "dive_id": f"{OTHER}-d00",
            }
        ),
        "inspection_plan": pd.DataFrame(
            {
                "visit_on": [pd.Timestamp("2031-07-10")],
                "cylinder_id": ["T12-1R"],
                "kind": ["hydrostatic"],
                "due_on": [pd.Timestamp("2031-07-20")],
                "days_early": [10],
                "in_service_after": [pd.Timestamp("2031-07-24")],
            }
        ),
        "booking_cover": pd.DataFrame(
            {
                "starts_on": [pd.Timestamp("2031-07-12")],
                "ends_on": [pd.Timestamp("2031-07-14")],
                "needed": [4],
                "available": [3],
                "short_by": [1],
                "freed_by": ["T12-1R after 24 Jul"],
            }
        ),
        "reserve_watch": pd.DataFrame(
            {
                "member_id": [ME, OTHER],
                "dives_considered": [14, 14],
                "dives_not_assessed": [0, 1],
                "dives_below_policy": [0, 6],
                "chance_next_below": [0.004, 0.34],
                "median_margin_free_l": [420.0, 60.0],
                "main_cause": ["none", "cooling"],
                "state": ["comfortable", "thin"],
                "reason": ["No thin dive seen (14 dives).", HOSTILE],
                "dives_surfaced_known": [14, 14],
                "dives_below_surfacing_min": [0, 3],
                "least_surfaced_bar": [60.0, 34.0],
            }
        ),
        "reserve_reliability": pd.DataFrame(
            {
                "chance_from": [0.0, 0.2],
                "chance_to": [0.2, 0.4],
                "dives": [60, 14],
                "share_below": [0.06, 0.29],
                "mean_chance": [0.05, 0.27],
            }
        ),
        "condition_effects": pd.DataFrame(
            {
                "condition": ["cold", "depth"],
                "effect_pct": [5.0, 1.0],
                "effect_low_pct": [2.0, -1.0],
                "effect_high_pct": [8.0, 3.0],
            }
        ),
        "settling_check": pd.DataFrame(
            {
                "fill_id": [f"f{i:03d}" for i in range(12)],
                "settled_fills_before": range(12),
                "predicted_bar": 210.0,
                "predicted_low_bar": 206.0,
                "predicted_high_bar": 214.0,
                "measured_bar": [209.0, 212, 216, 208, 211, 210, 209, 213, 207, 214.5, 210, 211],
            }
        ),
        "settling_record": pd.DataFrame(
            {
                "station_id": ["pier"],
                "answers": [63],
                "answers_inside": [44],
                "predicted_off_bar": [1.3],
                "too_narrow": [True],
                "biased": [True],
                "shift_bar": [-0.9],
                "widening": [1.25],
            }
        ),
        "settling_model": pd.DataFrame(
            {
                "station_id": ["pier"],
                "source_id": ["comp-1"],
                "material": ["steel"],
                "size": ["10 to 12 L"],
                "settled_fills": [12],
                "effect_bar": [-1.2],
                "effect_low_bar": [-2.5],
                "effect_high_bar": [0.1],
                "gain_of_next_reading_bar": [0.2],
            }
        ),
        "gauge_check": pd.DataFrame(
            {
                "gauge_id": ["g1", "g1", "g2"],
                "month_on": pd.to_datetime(["2031-05-01", "2031-06-01", "2031-06-01"]),
                "offset_bar": [1.0, 4.0, 0.1],
                "offset_low_bar": [0.0, 3.0, -1.0],
                "offset_high_bar": [2.0, 5.0, 1.0],
                "drifting": [False, True, False],
            }
        ),
        "gas_added": pd.DataFrame(
            {
                "month_on": pd.to_datetime(["2031-06-01"] * 3),
                "source_id": "comp-1",
                "member_id": [ME, OTHER, None],
                "fills": [8, 8, 8],
                "added_free_l": [900.0, 800.0, 700.0],
                "oxygen_free_l": [0.0, 90.0, 0.0],
                "helium_free_l": 0.0,
            }
        ),
        "air_quality": pd.DataFrame(
            {
                "compressor_id": "comp-1",
                "sampled_on": pd.Timestamp("2031-05-05"),
                "quantity": ["co_ppm", "oil_mg_m3"],
                "value": [7.0, 0.1],
                "limit": [5.0, 0.5],
                "limit_source": "a limit",
                "verdict": ["fail", "pass"],
            }
        ),
        "compressor_health": pd.DataFrame(
            {
                "compressor_id": ["comp-1"],
                "hours": [812.0],
                "hours_since_filter": [31.0],
                "filter_hours_left": [9.0],
                "service_due_on": [pd.Timestamp("2031-09-01")],
                "free_air_delivery_l_min": [180.0],
                "delivery_change_pct": [-6.0],
                "air_test_due_on": [pd.Timestamp("2031-08-05")],
                "state": ["stop"],
                "reasons": [["compressor_air_failed"]],
                "air_state": ["failed"],
                "air_failed_on": [pd.Timestamp("2031-05-05")],
                "air_fault": ["carbon monoxide 7 ppm, limit 5"],
            }
        ),
        "recall": pd.DataFrame(
            {
                "fill_id": ["f020"],
                "unit_id": ["A11-2"],
                "held_by": [OTHER],
                "reason": ["Air test of 5 May 2031 at comp-1 failed: carbon monoxide 7 ppm, limit 5."],
                "since": [pd.Timestamp("2031-02-03")],
                "air_state": ["failed"],
                "cylinder_ids": [["A11-2"]],
            }
        ),
        "tank_suggestions": pd.DataFrame(
            {
                "member_id": [ME, OTHER],
                "dive_id": [f"{ME}-d00", f"{OTHER}-d00"],
                "tank_no": 1,
                "source_ref": ["tk-0413", f"{OTHER}-d00 tank 1"],
                "tank_ref": ["tk-0413", None],
                "started_at": NOW - pd.Timedelta(days=12),
                "role": "back",
                "water_capacity_l": [24.0, 10.0],
                "o2_pct": 20.95,
                "start_pressure_bar": 220.0,
                "suggested_unit_id": ["T12-1", None],
                "reasons": [["tank_on_loan", "tank_size_fits"], []],
                "other_unit_ids": [["S10-4"], []],
            }
        ),
        "rejects": pd.DataFrame(
            {
                "source": ["fills", "dives", "fills"],
                "file": ["fills.csv", f"dives/{ME}/a.uddf", "fills.csv"],
                "file_sha256": ["a", "b", "a"],
                "row_number": [47, 2, 61],
                "line": [48, 80, 62],
                "column": ["stop_pressure_bar", "depth_m", "ambient_c"],
                "value": ["3300", HOSTILE, "warm"],
                "severity": ["row", "value", "row"],
                "rule": ["out_of_bounds", "not_a_number", "not_a_number"],
                "message": ["Above 450 bar, gauge.", "Not a number.", "Not a number."],
                "fix": ["Is it psi? Map the unit in station.toml.", "Correct it.", "Correct it."],
                "first_seen_at": [NOW, NOW, NOW],
                "resolved_at": [pd.NaT, pd.NaT, pd.NaT],
                "problem_id": ["3f0a91c2d4", "77b20c91aa", "0c11fe9d20"],
                "dismissed_at": [pd.NaT, pd.NaT, NOW],
                "dismissed_by": [None, None, "Anna"],
                "dismissed_reason": [None, None, f"nobody wrote it down {HOSTILE}"],
            }
        ),
        "withdrawn": pd.DataFrame(
            {
                "source": ["fills", "files", "problems"],
                "key": ["f004", "9d" * 32, "0c11fe9d20"],
                "withdrawn_at": [NOW, NOW - pd.Timedelta(days=2), NOW],
                "withdrawn_by": ["Anna", "Bert", "Anna"],
                "reason": [f"logged twice {HOSTILE}", "of another station", f"nobody wrote it down {HOSTILE}"],
                "files": [["fills.csv", "fills-b.csv"], ["fills-other.csv"], ["fills.csv"]],
                "rows_out": [2, 31, 0],
                "given_again_in": [["fills-b.csv"], [], []],
            }
        ),
        "ingest_files": pd.DataFrame(
            {
                "file": ["fills.csv", f"dives/{ME}/a.uddf", f"dives/{OTHER}/b.uddf"],
                "file_sha256": list("abc"),
                "source": ["fills", "dives", "dives"],
                "received_at": NOW,
                "modified_at": NOW,
                "outcome": "accepted",
                "rows_read": [24, 5, 5],
                "rows_accepted": [23, 4, 5],
                "rows_rejected": [1, 1, 0],
                "seen_again": 0,
                "run_id": "r1",
            }
        ),
        "notices": pd.DataFrame(
            {
                "file": ["fills.csv"],
                "rule": ["older_than_current"],
                "value": ["3 rows"],
                "message": ["A row was passed over."],
                "fix": ["Save it again."],
                "first_seen_at": [NOW],
            }
        ),
        "runs": pd.DataFrame(
            {
                "run_id": ["r1"],
                "started_at": [NOW],
                "finished_at": [NOW + pd.Timedelta(seconds=4)],
                "as_of_on": [pd.Timestamp("2031-06-30")],
                "outcome": ["published"],
            }
        ),
    }
    for table, frame in (whole | tables).items():
        made.write(table, "all", frame, "made-up")
    people = pd.DataFrame({"member_id": [ME, OTHER], "email": [MY_ADDRESS, "bert@weir.example"]})
    made.write("member_logins", "all", member_logins(people), "made-up")
    for member in (ME, OTHER):
        for table, frame in dives(member).items():
            made.write(table, member, frame, "made-up")
    manifest = Manifest(made.name, 1, "2031-06-30", NOW.isoformat(), "x", STATION, "r1")
    return made.finish(manifest)


def first_look(published: Path, name: str, **tables: pd.DataFrame) -> None:
    """What a run at work lets pages see: these tables beside those of the snapshot that counts."""
    last = read_manifest(published)
    made = Publisher(published, last, pd.Timestamp(name))
    for table, rows in tables.items():
        made.write(table, "all", rows, name)
    made.first_look(Manifest("", 0, last.as_of_on, NOW.isoformat(), "", last.station, "r2"))


def publish_empty(published: Path) -> Manifest:
    """A station that has taken nothing in yet."""
    made = Publisher(published, None, pd.Timestamp("2031-06-30T18:00:00.000001"))
    return made.finish(
        Manifest(
            made.name,
            0,
            "2031-06-30",
            NOW.isoformat(),
            "x",
            {"name": "New", "time_zone": "UTC", "rule_set": "uk", "policy": {}},
            "r1",
        )
    )


if __name__ == "__main__":
    import sys

    publish(Path(sys.argv[1]))
