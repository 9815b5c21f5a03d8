"""What really was, for checks: never given to the pipelines."""

import numpy as np

from sample_data.weather import utc
from sample_data.write import to_csv


def _z(seconds):
    return f"{utc(seconds):%Y-%m-%dT%H:%M:%SZ}"


def write(folder, season, people, gauges):
    """fills.csv, dives.csv, cylinders.csv, members.csv, gauges.csv."""
    to_csv(
        folder / "fills.csv",
        [
            "fill_id",
            "filled_at",
            "unit_id",
            "gauge_id",
            "source_id",
            "start_true_bar",
            "stop_true_bar",
            "gas_c",
            "wall_c",
            "settled_pressure_bar_15c",
            "usable_free_l",
            "mol",
            "o2_pct",
            "he_pct",
            "ambient_true_c",
            "minutes",
            "gauge_offset_bar",
            "filled_together",
        ],
        [
            dict(
                fill_id=r["fill_id"],
                filled_at=_z(r["filled_s"]),
                unit_id=r["unit_id"],
                gauge_id=r["gauge_id"],
                source_id=r["source_id"],
                start_true_bar=r["start_true_bar"],
                stop_true_bar=r["stop_true_bar"],
                gas_c=r["gas_true_c"],
                wall_c=r["wall_true_c"],
                settled_pressure_bar_15c=r["settled_true_15c"],
                usable_free_l=r["usable_free_l"],
                mol=r["mol"],
                o2_pct=r["o2_true"] * 100,
                he_pct=r["he_true"] * 100,
                ambient_true_c=r["ambient_true_c"],
                minutes=r["minutes"],
                gauge_offset_bar=season.offset(r["gauge_id"], r["filled_s"]),
                filled_together=r["at_once"],
            )
            for r in season.fills
        ],
    )
    to_csv(
        folder / "dives.csv",
        [
            "member_id",
            "dive_id",
            "logged_as",
            "started_at",
            "duration_min",
            "used_free_l",
            "rmv_l_min",
            "suit_gas_free_l",
            "mean_ambient_bar_abs",
            "least_margin_free_l",
            "least_margin_at_s",
            "least_margin_depth_m",
            "required_free_l_there",
            "joined",
            "gas_start_c",
            "gas_end_c",
            "start_true_bar",
            "end_true_bar",
            "gas_shared",
            "mandatory_stops",
        ],
        [
            dict(
                member_id=p["e"].member.member_id,
                dive_id=p["dive_id"],
                logged_as=f"dive-{p['dive_id']}" if p["e"].member.form.startswith("uddf") else p["dive_id"],
                started_at=_z(p["e"].t),
                duration_min=p["grid"][-1] / 60,
                used_free_l=p["used_free_l"],
                rmv_l_min=p["rmv"],
                suit_gas_free_l=p["suit_free_l"],
                mean_ambient_bar_abs=p["mean_ambient"],
                least_margin_free_l=p["least_margin"],
                least_margin_at_s=p["margin_s"],
                least_margin_depth_m=p["margin_m"],
                required_free_l_there=p["needed_there"],
                joined=bool(p["joined"]),
                gas_start_c=p["gas_start_c"],
                gas_end_c=p["gas_end_c"],
                start_true_bar=p["start_true"],
                end_true_bar=p["end_true"],
                gas_shared=bool(p["e"].fact.get("shared")),
                mandatory_stops=bool(p["deep"]),
            )
            for p in season.dives
        ],
    )
    to_csv(
        folder / "cylinders.csv",
        ["cylinder_id", "unit_id", "leak_bar_per_day", "capacity_l", "inside_factor", "outside_factor"],
        [
            dict(
                cylinder_id=c.row["cylinder_id"],
                unit_id=c.unit_id,
                leak_bar_per_day=c.leak_bar_day,
                capacity_l=c.capacity_l,
                inside_factor=c.inside_factor,
                outside_factor=c.outside_factor,
            )
            for c in season.fleet
        ],
    )
    to_csv(
        folder / "members.csv",
        [
            "member_id",
            "level_l_min_18m_12c_at_start",
            "slope_pct_per_month",
            "depth_effect_pct_10m",
            "cold_effect_pct_10k",
            "scatter_log",
            "means_to_surface_bar",
        ],
        [
            dict(
                member_id=m.member_id,
                level_l_min_18m_12c_at_start=m.level,
                slope_pct_per_month=m.trend_pct_month,
                depth_effect_pct_10m=m.depth_pct_10m,
                cold_effect_pct_10k=m.cold_pct_10k,
                scatter_log=m.scatter,
                means_to_surface_bar=m.reserve_bar,
            )
            for m in people
        ],
    )
    to_csv(
        folder / "gauges.csv",
        ["gauge_id", "offset_at_start_bar", "drift_bar_per_month"],
        [
            dict(
                gauge_id=g["gauge_id"],
                offset_at_start_bar=g["true_offset_bar"],
                drift_bar_per_month=g["drift_bar_month"],
            )
            for g in gauges
        ],
    )
    assert all(np.isfinite(r["usable_free_l"]) for r in season.fills)
