"""Weighting and lift on logged dives: heaviest at the start, lightest with the gas low."""

from typing import Any

import numpy as np
import pandas as pd

from pipelines.derive.dives.samples import water_density
from pipelines.derive.fleet.inspections import local_day
from schemas.frames import conform
from schemas.policy import Policy
from schemas.tables import TABLES
from shared.diving.buoyancy import SHELL_KG_M3, ballast_margin_kg, cylinder_buoyancy_kg, lift_margin_kg, net_kg
from shared.gas.constants import AIR_O2_PCT, FREE_LITRE_MOL, REFERENCE_C
from shared.gas.mix import molar_mass_g_mol
from shared.gas.thermal import amount_free_l

KIT = ("lift_capacity_kg", "ballast_kg", "other_negative_kg", "suit_buoyancy_kg", "suit_buoyancy_at_depth_kg")
_NEEDED = ("ballast_kg", "other_negative_kg", "suit_buoyancy_kg")
_KEY = ["member_id", "dive_id"]


def build_kits(
    kits: pd.DataFrame,
    dives: pd.DataFrame,
    dive_tanks: pd.DataFrame,
    tank_use: pd.DataFrame,
    units: pd.DataFrame,
    policy: Policy,
) -> dict[str, pd.DataFrame]:
    """A row a dive of a member who had logged a kit by then.

    Parameters
    ----------
    kits, dives, dive_tanks : DataFrame
        As taken in, of one member or of all.
    tank_use : DataFrame
        `dive_tank_use`: pressures as read from the trace where there is one.
    units : DataFrame
        With `empty_mass_kg`.
    policy : Policy
        `unusable_bar` and how depths are calibrated.

    Returns
    -------
    dict of DataFrame
        `kit_balance`. All cylinders of the dive are carried, and only the breathed ones go down to the
        unusable pressure. What cannot be known is empty and flagged.
    """
    declared = TABLES["kit_balance"].fields.values()
    rows = _kit_in_force(kits, dives, policy.time_zone)
    tanks = _tanks(rows, dive_tanks, tank_use, units, policy)
    rows = rows[rows["dive_id"].isin(tanks["dive_id"])].reset_index(drop=True)
    if not len(rows):
        return {"kit_balance": conform(pd.DataFrame({"dive_id": pd.Series([], dtype="str")}), declared)}
    density = pd.DataFrame({**{k: rows[k] for k in _KEY}, "density": water_density(rows["water"], policy)})
    tanks = tanks.merge(density, on=_KEY)
    parts: dict[str, Any] = {}
    for moment in ("start", "end", "low"):
        parts[f"mass_{moment}"] = tanks[f"mass_{moment}"]
        parts[f"net_{moment}"] = cylinder_buoyancy_kg(
            tanks["capacity_l"], tanks["empty_mass_kg"], tanks["shell_kg_m3"], tanks[f"mass_{moment}"], tanks["density"]
        )
    summed = tanks[_KEY].assign(**parts).groupby(_KEY)
    sums = summed.sum(min_count=1).where(summed.count() == summed.size().to_numpy()[:, None])
    rows = rows.join(sums, on=_KEY)
    kit = rows["suit_buoyancy_kg"], rows["ballast_kg"], rows["other_negative_kg"]
    made = rows[_KEY].assign(
        gas_mass_start_kg=rows["mass_start"],
        gas_mass_end_kg=rows["mass_end"],
        net_start_kg=net_kg(rows["net_start"], *kit),
        net_end_kg=net_kg(rows["net_end"], *kit),
        net_low_gas_kg=net_kg(rows["net_low"], *kit),
    )
    made["lift_margin_kg"] = lift_margin_kg(
        rows["lift_capacity_kg"], made["net_start_kg"], rows["suit_buoyancy_kg"], rows["suit_buoyancy_at_depth_kg"]
    )
    made["ballast_margin_kg"] = ballast_margin_kg(made["net_low_gas_kg"])
    made["flags"] = _flags(made, rows, tanks)
    return {"kit_balance": conform(made, declared)}


def _kit_in_force(kits: pd.DataFrame, dives: pd.DataFrame, time_zone: str) -> pd.DataFrame:
    """Dives with the member's last kit logged for that day at the station or before; others fall out."""
    left = dives[[*_KEY, "started_at", "water"]].copy()
    left["on"] = local_day(left["started_at"], time_zone).astype("datetime64[us]")
    right = kits[["member_id", "valid_from", *KIT]].copy()
    right["valid_from"] = right["valid_from"].astype("datetime64[us]")
    if not len(left) or not len(right):
        return left.iloc[:0].assign(**dict.fromkeys(KIT, np.nan))
    joined = pd.merge_asof(
        left.sort_values("on"), right.sort_values("valid_from"), left_on="on", right_on="valid_from", by="member_id"
    )
    joined = joined[joined["valid_from"].notna()].sort_values(["member_id", "started_at", "dive_id"], ignore_index=True)
    return joined.astype(dict.fromkeys(KIT, "float64"))


def _tanks(rows, dive_tanks: pd.DataFrame, tank_use: pd.DataFrame, units: pd.DataFrame, policy: Policy) -> pd.DataFrame:
    """Every cylinder of these dives with its size, shell and the mass of its gas at start, end and lowest."""
    key = [*_KEY, "tank_no"]
    tanks = dive_tanks.merge(rows[_KEY], on=_KEY)
    read = ["start_pressure_bar", "end_pressure_bar", "o2_pct", "he_pct", "unit_id"]
    counted = ["gas_used_free_l", "start_gas_c"]
    tanks = tanks.merge(tank_use[[*key, *read, *counted]], on=key, how="left", suffixes=("", "_read"))
    for name in read:
        tanks[name] = tanks[f"{name}_read"].fillna(tanks[name])
    known = units.drop_duplicates("unit_id").set_index("unit_id")[["water_capacity_l", "empty_mass_kg", "material"]]
    known = known.reindex(tanks["unit_id"]).reset_index(drop=True)
    size = tanks["water_capacity_l"].astype("float64")
    # two rows on one set are its two posts: each carries its half
    posts = tanks.groupby([*_KEY, "unit_id"])["tank_no"].transform("size").fillna(1).to_numpy(float)
    tanks["capacity_l"] = (known["water_capacity_l"].astype("float64") / posts).fillna(size)
    tanks["empty_mass_kg"] = known["empty_mass_kg"].astype("float64") / posts
    tanks["material"] = known["material"]
    tanks["shell_kg_m3"] = tanks["material"].map(SHELL_KG_M3).astype("float64")
    o2 = tanks["o2_pct"].astype("float64").fillna(AIR_O2_PCT).to_numpy()
    he = tanks["he_pct"].astype("float64").fillna(0.0).to_numpy()
    ar = tanks["ar_pct"].astype("float64").to_numpy()
    capacity = tanks["capacity_l"].to_numpy(float)

    gas_c = tanks["start_gas_c"].astype("float64").fillna(REFERENCE_C).to_numpy()

    def held(pressure_bar):
        return amount_free_l(capacity, pressure_bar, gas_c, o2, he, ar, strict=False)

    start = held(tanks["start_pressure_bar"].to_numpy(float))
    used = tanks["gas_used_free_l"].to_numpy(float)
    end = np.where(np.isfinite(used), start - used, held(tanks["end_pressure_bar"].to_numpy(float)))
    breathed = ~tanks["role"].isin(["suit", "oxygen", "diluent"]).to_numpy(bool)
    low = np.where(breathed, np.fmin(end, held(np.full(len(tanks), policy.reserve.unusable_bar))), end)
    kg = FREE_LITRE_MOL * molar_mass_g_mol(o2, he, ar) / 1000.0
    return tanks.assign(mass_start=start * kg, mass_end=end * kg, mass_low=low * kg)


def _flags(made: pd.DataFrame, rows: pd.DataFrame, tanks: pd.DataFrame) -> list[list[str]]:
    by_dive = (
        tanks.assign(
            mass=tanks["empty_mass_kg"].isna() & (tanks["material"] != "composite"),
            shell=tanks["material"] == "composite",
            size=tanks["mass_start"].isna() | tanks["mass_end"].isna(),
        )
        .groupby(_KEY)[["mass", "shell", "size"]]
        .any()
    )
    lacks = rows[_KEY].join(by_dive, on=_KEY)
    raised = {
        "lift_short": (made["lift_margin_kg"] < 0).to_numpy(bool),
        "ballast_short": (made["ballast_margin_kg"] < 0).to_numpy(bool),
        "kit_incomplete": rows[list(_NEEDED)].isna().any(axis=1).to_numpy(bool),
        "empty_mass_unknown": lacks["mass"].to_numpy(bool),
        "shell_density_unknown": lacks["shell"].to_numpy(bool),
        "tank_size_unknown": lacks["size"].to_numpy(bool),
    }
    return [[code for code, on in raised.items() if on[i]] for i in range(len(made))]
