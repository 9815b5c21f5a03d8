"""Small input frames for tests: only what a test states, every column of the contract present."""

import pandas as pd

TEXT, FLOAT, DAY, TIME, BOOL, INT = "str", "float64", "datetime64[us]", "datetime64[us, UTC]", "boolean", "Int64"

COLUMNS: dict[str, dict[str, str]] = {
    "cylinders": dict.fromkeys(
        [
            "cylinder_id",
            "owner_id",
            "material",
            "spec",
            "alloy",
            "rule_set",
            "regime",
            "set_id",
            "set_position",
            "set_kind",
            "status",
        ],
        TEXT,
    )
    | dict.fromkeys(
        [
            "water_capacity_l",
            "working_pressure_bar",
            "test_pressure_bar",
            "valve_pressure_bar",
            "empty_mass_kg",
            "rated_capacity_cuft",
            "service_pressure_psi",
            "rated_at_psi",
        ],
        FLOAT,
    )
    | dict.fromkeys(["manufactured_on", "first_used_on", "service_life_ends_on"], DAY)
    | dict.fromkeys(["boot_fitted", "plus_marked"], BOOL),
    "set_members": {"set_id": TEXT, "cylinder_id": TEXT, "position": TEXT, "from_on": DAY, "to_on": DAY},
    "inspections": dict.fromkeys(["cylinder_id", "kind", "result", "inspector", "finding", "note"], TEXT)
    | {"inspected_on": DAY, "permanent_expansion_pct": FLOAT, "found_mass_kg": FLOAT},
    "fills": dict.fromkeys(
        [
            "fill_id",
            "unit_id",
            "station_id",
            "operator",
            "source_id",
            "fill_method",
            "gauge_id",
            "analysed_by",
            "settled_gauge_id",
            "member_id",
        ],
        TEXT,
    )
    | dict.fromkeys(
        [
            "start_pressure_bar",
            "target_pressure_bar",
            "stop_pressure_bar",
            "second_stop_pressure_bar",
            "ambient_c",
            "wall_c",
            "fill_minutes",
            "target_o2_pct",
            "target_he_pct",
            "target_ar_pct",
            "analysed_o2_pct",
            "analysed_he_pct",
            "second_analysed_o2_pct",
            "co_ppm",
            "settled_pressure_bar",
            "settled_c",
        ],
        FLOAT,
    )
    | dict.fromkeys(["filled_at", "analysed_at", "settled_at"], TIME),
    "loans": {
        "unit_id": TEXT,
        "member_id": TEXT,
        "out_at": TIME,
        "due_on": DAY,
        "back_at": TIME,
        "back_pressure_bar": FLOAT,
    },
    "gauges": {
        "gauge_id": TEXT,
        "station_id": TEXT,
        "use": TEXT,
        "accuracy_class": FLOAT,
        "span_bar": FLOAT,
        "step_bar": FLOAT,
        "checked_on": DAY,
        "offset_bar": FLOAT,
    },
    "sources": {
        "source_id": TEXT,
        "kind": TEXT,
        "fed_by": TEXT,
        "water_capacity_l": FLOAT,
        "o2_pct": FLOAT,
        "he_pct": FLOAT,
        "oxygen_compatible": BOOL,
    },
    "compressors": {
        "compressor_id": TEXT,
        "filter_life_hours": FLOAT,
        "filter_reference_c": FLOAT,
        "rated_delivery_free_l_min": FLOAT,
        "service_hours": FLOAT,
    },
    "compressor_log": {"compressor_id": TEXT, "read_at": TIME, "hours": FLOAT, "event": TEXT}
    | dict.fromkeys(
        ["ambient_c", "outlet_c", "pumped_from_bar", "pumped_to_bar", "pumped_volume_l", "pumped_minutes"], FLOAT
    ),
    "air_tests": {"compressor_id": TEXT, "sampled_on": DAY, "laboratory": TEXT, "odour": BOOL}
    | dict.fromkeys(["o2_pct", "co_ppm", "co2_ppm", "oil_mg_m3", "hydrocarbons_ppm", "water_mg_m3"], FLOAT),
    "bookings": {
        "starts_on": DAY,
        "ends_on": DAY,
        "cylinders_needed": INT,
        "material": TEXT,
        "water_capacity_l": FLOAT,
    },
    "visits": {"visit_on": DAY, "capacity": INT, "kinds": TEXT, "back_on": DAY},
    "dives": {"dive_id": TEXT, "member_id": TEXT, "started_at": TIME, "duration_min": FLOAT, "mode": TEXT},
    "members": {"member_id": TEXT, "display_name": TEXT},
}


def frame(source: str, rows: list[dict] | None = None) -> pd.DataFrame:
    """Rows of a source as the steps see them."""
    columns = COLUMNS[source]
    rows = rows or []
    unknown = {name for row in rows for name in row} - set(columns) - {"assumed"}
    assert not unknown, unknown
    made = {}
    for name, dtype in columns.items():
        values = [row.get(name) for row in rows]
        if dtype.startswith("datetime64"):
            moments = [None if value is None else pd.Timestamp(value) for value in values]
            made[name] = pd.to_datetime(pd.Series(moments, dtype="object"), utc=dtype.endswith("UTC]")).astype(dtype)
        else:
            made[name] = pd.Series(values, dtype=dtype)
    made["assumed"] = pd.Series([row.get("assumed", []) for row in rows], dtype="object")
    return pd.DataFrame(made)


def frames(**sources: list[dict]) -> dict[str, pd.DataFrame]:
    """All inputs, those not named empty."""
    return {source: frame(source, sources.get(source)) for source in COLUMNS}
