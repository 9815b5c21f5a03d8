"""What really was, for checks: never given to the pipelines."""

import numpy as np

from sample_data.filling import GAUGE_OF, SOURCE_NAMES
from sample_data.rows import dive_numbers
from sample_data.write import columns_to_csv, to_csv


def _z(seconds):
    return np.char.add(np.datetime_as_string(seconds.astype("datetime64[s]")), "Z").astype(object)


def write(folder, season, fill_ids, gauges, more_dives=()):
    """fills.csv, dives.csv, cylinders.csv, members.csv, gauges.csv. more_dives: rows beside the season's own."""
    f = season.fills
    sources = np.array(SOURCE_NAMES, object)[f["source"]]
    measured_on = np.array([GAUGE_OF[s] for s in SOURCE_NAMES], object)[f["source"]]
    columns_to_csv(
        folder / "fills.csv",
        dict(
            fill_id=fill_ids,
            filled_at=_z(f["filled_s"]),
            unit_id=np.array(season.units, object)[f["unit"]],
            gauge_id=measured_on,
            source_id=sources,
            start_true_bar=f["start_true_bar"],
            stop_true_bar=f["stop_true_bar"],
            gas_c=f["gas_true_c"],
            wall_c=f["wall_true_c"],
            settled_pressure_bar_15c=f["settled_true_15c"],
            usable_free_l=f["usable_free_l"],
            mol=f["mol"],
            o2_pct=f["o2_true"] * 100,
            he_pct=f["he_true"] * 100,
            ambient_true_c=f["ambient_true_c"],
            minutes=f["minutes"],
            gauge_offset_bar=np.array(
                [season.offset(g, t) for g, t in zip(measured_on, f["filled_s"].tolist(), strict=True)], float
            ),
            filled_together=f["at_once"],
        ),
    )
    d = season.dives
    members = np.array([m.member_id for m in season.people], object)
    ids = np.array([f"{n:03d}" for n in dive_numbers(season)], object)
    in_uddf = np.array([m.form.startswith("uddf") for m in season.people])[d["member"]]
    columns = dict(
        member_id=members[d["member"]],
        dive_id=ids,
        logged_as=np.where(in_uddf, "dive-" + ids, ids),
        started_at=_z(d["started_s"]),
        duration_min=d["duration_s"] / 60,
        used_free_l=d["used_free_l"],
        rmv_l_min=d["rmv"],
        suit_gas_free_l=d["suit_free_l"],
        mean_ambient_bar_abs=d["mean_ambient"],
        least_margin_free_l=d["least_margin"],
        least_margin_at_s=d["margin_s"],
        least_margin_depth_m=d["margin_m"],
        required_free_l_there=d["needed_there"],
        joined=d["joined"],
        gas_start_c=d["gas_start_c"],
        gas_end_c=d["gas_end_c"],
        start_true_bar=d["start_bar"][:, 0],
        end_true_bar=d["end_bar"][:, 0],
        gas_shared=d["shared"],
        mandatory_stops=d["deep"],
    )
    if more_dives:
        more = {k: np.array([r[k] for r in more_dives]) for k in more_dives[0]}
        more["started_at"] = _z(more.pop("started_s"))
        columns = {k: np.concatenate([v, more[k].astype(v.dtype)]) for k, v in columns.items()}
    columns_to_csv(folder / "dives.csv", columns)
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
            for m in season.people
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
    assert np.isfinite(f["usable_free_l"]).all()
