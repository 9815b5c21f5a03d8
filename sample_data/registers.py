"""Registers and station papers: inspections, air tests, compressor hours, kits, bookings, visits, loans, links."""

from datetime import date, timedelta

import numpy as np

from sample_data.filling import SOURCE_NAMES
from sample_data.gas import AIR_O2, FREE_MOL
from sample_data.heat import Supply, fill, gauge_bar, mol_at, vessels
from sample_data.station import Cylinder
from sample_data.weather import END, at, day_of


def add_months(day, months):
    month = day.month - 1 + months
    year, month = day.year + month // 12, month % 12 + 1
    for last in (31, 30, 29, 28):
        if day.day <= last:
            try:
                return date(year, month, day.day)
            except ValueError:
                continue
    return date(year, month, min(day.day, 28))


SPECIAL = {  # last hydrostatic, last visual (ISO dates); '' means none
    "S12-5": ("2024-01-09", None),
    "AL-3": ("2021-08-15", "2024-06-20"),
    "T12-2R": ("2024-03-20", None),
    "S12-1": ("2021-12-04", "2024-06-12"),
    "S12-2": ("2022-01-15", "2024-07-06"),
    "S15-2": ("2024-05-18", None),
    "SM-1L": ("2024-05-28", None),
    "SM-1R": ("2024-05-28", None),
    "T12-2L": ("2024-12-14", None),
    "T7-1L": ("2024-03-16", "2026-03-14"),
    "T7-1R": ("2024-03-16", "2026-03-14"),
    "T12-1L": ("2022-11-19", "2025-03-01"),
    "T12-1R": ("2022-11-19", "2025-03-01"),
    "T12-3L": ("2025-10-04", None),
    "T12-3R": ("2025-10-04", None),
    "S10-1": ("2024-10-12", None),
    "S15-3": ("2024-04-10", None),
    "S12-6": ("2021-03-20", "2023-09-30"),
}


def inspections(fleet, first_day, rng, planted=True):
    """Every cylinder's history: hydrostatic each 60 months, visual between, oxygen cleaning where nitrox goes."""
    out = []

    def add(cylinder, day, kind, result="pass", **more):
        if day <= END:
            out.append(
                dict(
                    cylinder_id=cylinder,
                    inspected_on=day,
                    kind=kind,
                    result=result,
                    inspector=str(
                        rng.choice(["Bay Test House", "M06"])
                        if kind in ("visual", "oxygen_clean", "valve_service")
                        else "Bay Test House"
                    ),
                    permanent_expansion_pct=None,
                    found_mass_kg=None,
                    finding="none" if kind in ("visual", "hydrostatic") else None,
                    note=None,
                )
                | more
            )

    for c in fleet:
        cid, made = c.row["cylinder_id"], date.fromisoformat(c.row["manufactured_on"])
        if planted and cid == "ST-2":
            c.row["manufactured_on"] = ""
            continue
        if cid in SPECIAL and planted:
            hydro, visual = SPECIAL[cid]
            last_hydro = date.fromisoformat(hydro)
            last_visual = date.fromisoformat(visual) if visual else None
        else:
            due_in = int(rng.integers(20, 1600))
            last_hydro = END + timedelta(days=due_in - 1826)
            last_visual = add_months(last_hydro, 30) - timedelta(days=int(rng.integers(0, 40)))
            last_visual = last_visual if last_visual <= END else None
        hydros, h = [], last_hydro
        while h > add_months(made, 18):
            hydros.append(h)
            h = add_months(h, -60) + timedelta(days=int(rng.integers(-20, 5)))
        expansion = float(rng.uniform(1.2, 3.5))
        for k, h in enumerate(sorted(hydros)):
            add(
                cid,
                h,
                "hydrostatic",
                permanent_expansion_pct=round(expansion + 0.6 * k + float(rng.normal(0, 0.2)), 1),
                found_mass_kg=round(c.mass_kg - (0.05 * k if c.material == "steel" else 0), 2),
            )
            between = add_months(h, 30) - timedelta(days=int(rng.integers(0, 35)))
            if h != last_hydro and between < last_hydro:
                add(cid, between, "visual")
        if last_visual:
            add(cid, last_visual, "visual")
        if planted and cid == "S15-2":  # its clean state ends in the middle of the season
            add(cid, date(2025, 8, 9), "oxygen_clean")
        elif c.gas not in ("air", "argon"):
            for year in range(first_day.year - 1, 2025):  # each spring, for seasons before the last
                add(cid, date(year, 4, 5), "oxygen_clean")
            add(cid, date(2025, 4, 5), "oxygen_clean")
            add(cid, date(2026, 3, 21), "oxygen_clean")
        if rng.random() < 0.25 and cid != "S15-2":
            add(cid, date(2025, 11, 15), "valve_service")
        if c.material == "aluminium" and c.row["alloy"] == "6351":
            add(cid, date(2021, 8, 15), "eddy_current")
        if planted and cid == "S12-6":
            add(
                cid,
                date(2026, 3, 12),
                "hydrostatic",
                result="condemned",
                permanent_expansion_pct=11.4,
                found_mass_kg=13.6,
                finding="pitting",
                note="pitting round the base; permanent expansion above the limit",
            )
        if planted and cid == "S15-3":
            add(
                cid,
                date(2026, 9, 5),
                "visual",
                result="fail",
                finding="thread",
                note="neck thread worn, to be looked at again",
            )
        if planted and cid == "S15-2":
            add(
                cid,
                date(2026, 5, 2),
                "visual",
                finding="corrosion",
                found_mass_kg=17.2,
                note="light rust inside, tumbled; to be looked at next spring",
            )
    out.sort(key=lambda r: (r["inspected_on"], r["cylinder_id"], r["kind"]))
    return out


COMPRESSORS = [
    dict(
        compressor_id="comp-1",
        filter_life_hours=50,
        filter_reference_c=20,
        rated_delivery_free_l_min=265,
        service_hours=500,
    ),
    dict(
        compressor_id="comp-2",
        filter_life_hours=8,
        filter_reference_c=20,
        rated_delivery_free_l_min=100,
        service_hours=250,
    ),
]


def _earlier_air_tests(first_day):
    """A good test each quarter of the seasons before the last year."""
    last = date(2025, 12, 15)
    if first_day > last:
        return
    for c, co, co2, oil, water in (("comp-1", 0.6, 415, 0.04, 15), ("comp-2", 1.2, 440, 0.10, 21)):
        for months in range(3 * ((last - first_day).days // 91), -1, -3):
            yield c, add_months(last, -months).isoformat(), co, co2, oil, water


def air_tests(first_day, planted=True):
    """A row a test; the small compressor's last one is planted."""
    rows = []
    for c, day, co, co2, oil, water in (
        *_earlier_air_tests(first_day),
        ("comp-1", "2026-02-18", 0.6, 412, 0.04, 14),
        ("comp-1", "2026-05-13", 0.8, 425, 0.05, 17),
        ("comp-1", "2026-08-11", 0.9, 438, 0.06, 21),
        ("comp-1", "2026-10-20", 0.7, 430, 0.06, 19),
        ("comp-2", "2026-03-30", 1.4, 445, 0.11, 22),
        ("comp-2", "2026-06-24", 2.1, 452, 0.14, 23),
        ("comp-2", "2026-09-16", 9.0 if planted else 2.2, 610 if planted else 455, 0.21, 24),
    ):
        rows.append(
            dict(
                compressor_id=c,
                sampled_on=day,
                laboratory="Northquay Gas Laboratory",
                o2_pct=20.9,
                co_ppm=co,
                co2_ppm=co2,
                oil_mg_m3=oil,
                water_mg_m3=water,
                odour="true" if co > 5 else "false",
            )
        )
    return rows


BANK_OF = 4  # cylinders of 50 l
BANK_CYLINDER = Cylinder({}, "bank-air", capacity_l=50.0, mass_kg=62.0, material="steel")


def _pumped_up(start_bar, free_l_min, minutes, room_c):
    """What the bank reads when a timed pump-up ends, still warm, bar."""
    v, one = vessels([BANK_CYLINDER], room_c), np.array([0])
    v["mol"] = mol_at(v, 0, start_bar, room_c + 273.15)

    def let_in(value):
        return np.array([[value]])

    flow = free_l_min / BANK_OF * FREE_MOL / 60
    air = Supply(
        o2=let_in(AIR_O2),
        he=let_in(0.0),
        argon=let_in(False),
        bank=let_in(False),
        bank_bar=let_in(0.0),
        supply_k=let_in(room_c + 9 + 273.15),
        mol_s=let_in(flow),
        add_mol=let_in(np.nan),
        stop_bar=np.array([np.inf]),
    )
    fill(v, one, air, np.array([room_c + 273.15]), longest_s=minutes * 60)
    return gauge_bar(v, 0)


def compressor_log(fills, days, weather, rng):
    """Weekly readings, filter changes, and timed pump-ups of the bank, from the air that the fills took."""
    out = []
    hours = {"comp-1": 1412.0, "comp-2": 236.0}
    fed = {"comp-1": ("comp-1", "bank-air", "bank-32"), "comp-2": ("comp-2",)}
    for c, rate in (("comp-1", 265.0), ("comp-2", 95.0)):
        since = 31.0 if c == "comp-1" else 4.0
        taken = fills[np.isin(fills["source"], [SOURCE_NAMES.index(s) for s in fed[c] if s in SOURCE_NAMES])]
        run = np.concatenate([[0.0], np.cumsum(taken["usable_free_l"] / rate / 60 * (1.35 if c == "comp-1" else 1.6))])
        before = 0.0
        for k, d in enumerate(days):
            t = at(d, 19.5 if c == "comp-1" else 16.5)
            total = run[np.searchsorted(taken["filled_s"], t)]
            hours[c] += total - before
            since += total - before
            before = total
            if d.weekday() == (6 if c == "comp-1" else 5):
                warm = weather.room_c(t)
                row = dict(compressor_id=c, read_s=t, hours=hours[c], event="reading", ambient_c=warm, outlet_c=None)
                if c == "comp-1" and k % 14 < 7:
                    worn = 1 - 0.15 * k / len(days)
                    start = float(rng.uniform(110, 170))
                    minutes = float(rng.uniform(24, 40))
                    row.update(
                        outlet_c=warm + 9,
                        pumped_from_bar=start,
                        pumped_to_bar=_pumped_up(start, rate * worn, minutes, warm),
                        pumped_volume_l=200.0,
                        pumped_minutes=minutes,
                    )
                out.append(row)
            if since > 46 and c == "comp-1":
                out.append(
                    dict(
                        compressor_id=c,
                        read_s=t + 3600,
                        hours=hours[c],
                        event="filter_change",
                        ambient_c=weather.room_c(t),
                        outlet_c=None,
                    )
                )
                since = 0.0
            if k == 1:
                out.append(
                    dict(
                        compressor_id=c,
                        read_s=t + 7200,
                        hours=hours[c],
                        event="oil_change",
                        ambient_c=None,
                        outlet_c=None,
                    )
                )
                if c == "comp-2":
                    out.append(
                        dict(
                            compressor_id=c,
                            read_s=t + 9000,
                            hours=hours[c],
                            event="filter_change",
                            ambient_c=None,
                            outlet_c=None,
                        )
                    )
                    since = 0.0
    return out


def kits(members, fleet, rng, planted=True):
    """Kits weighted to be about neutral at the end of a dive; one member takes too little, one has a small wing."""
    rows = []
    for m in members[:11]:
        pair = m.units[0] == "SM-1L"
        cylinders = [c for c in fleet if c.unit_id == m.units[0] or (pair and c.row["set_id"] == "SM-1")]
        density = {"steel": 7.85, "aluminium": 2.70, "composite": 1.9}
        floats = sum(
            1.025 * (c.capacity_l + c.mass_kg / density[c.material]) - c.mass_kg - 0.0125 * c.capacity_l
            for c in cylinders
        )
        twin, dry = len(cylinders) > 1, m.suit == "dry"
        suit = round((11.0 if dry else 7.0 if m.suit == "semidry" else 5.5) + float(rng.normal(0, 0.7)), 1)
        other = 4.4 if twin else 1.5
        ballast = suit - other + floats + 1.0 + float(rng.normal(0, 0.4))
        if planted and m.member_id == "M09":
            ballast -= 3.0
        rows.append(
            dict(
                member_id=m.member_id,
                valid_from="2026-03-01",
                lift_capacity_kg=7 if planted and m.member_id == "M10" else 20 if twin else 15,
                ballast_kg=max(0.0, round(ballast, 1)),
                other_negative_kg=other,
                suit_buoyancy_kg=suit,
                suit_buoyancy_at_depth_kg=round(suit * (0.9 if dry else 0.4), 1),
            )
        )
    if len(rows) > 8:
        rows.append(dict(rows[8], valid_from="2026-08-20", ballast_kg=round(rows[8]["ballast_kg"] + 3, 1)))
    return rows


def bookings():
    rows = [
        ("2026-06-06", "2026-06-07", 6, "steel", 12),
        ("2026-08-15", "2026-08-16", 8, "", ""),
        ("2026-11-14", "2026-11-15", 5, "steel", 12),
        ("2026-11-28", "2026-11-29", 6, "steel", ""),
        ("2027-01-16", "2027-01-17", 4, "", ""),
        ("2027-03-06", "2027-03-08", 8, "", ""),
    ]
    return [
        dict(zip(("starts_on", "ends_on", "cylinders_needed", "material", "water_capacity_l"), r, strict=True))
        for r in rows
    ]


def visits():
    rows = [
        ("2026-11-09", 8, "hydrostatic;visual", "2026-11-23"),
        ("2027-01-11", 8, "hydrostatic;visual", "2027-01-25"),
        ("2027-02-22", 10, "hydrostatic;visual;oxygen_clean", "2027-03-05"),
        ("2027-04-12", 10, "hydrostatic;visual;oxygen_clean", "2027-04-26"),
    ]
    return [dict(zip(("visit_on", "capacity", "kinds", "back_on"), r, strict=True)) for r in rows]


def loans(season, owners, rng):
    """Station units lent for a dive day; a few still out."""
    rows = []
    for p in season.dives:
        t = int(p["started_s"])
        for k, u in enumerate(p["units"]):
            unit = season.units[u] if u >= 0 and p["roles"][k] == 0 else ""
            if owners.get(unit) != "station" or rng.random() > 0.55:
                continue
            day = day_of(t)
            back = at(day + timedelta(days=(0, 0, 1)[rng.integers(3)]), 20.4)
            rows.append(
                dict(
                    unit_id=unit,
                    member_id=season.people[p["member"]].member_id,
                    out_s=int(t - rng.uniform(1.0, 1.6) * 3600),
                    due_on=day + timedelta(days=2),
                    back_s=back,
                    back_pressure_bar=round(float(p["end_bar"][0]) / 5) * 5,
                )
            )
    rows.sort(key=lambda r: (r["unit_id"], r["out_s"]))
    kept: list[dict] = []
    for r in rows:
        if kept and kept[-1]["unit_id"] == r["unit_id"] and kept[-1]["back_s"] > r["out_s"]:
            continue
        kept.append(r)
    latest: dict[str, dict] = {r["unit_id"]: r for r in kept}
    for k, r in enumerate(sorted(latest.values(), key=lambda r: -r["out_s"])):
        if k < 3:
            r.update(back_s=None, back_pressure_bar=None)
    return sorted(kept, key=lambda r: r["out_s"])


def set_members(fleet):
    """Positions over time for three sets; T12-3's right cylinder was another one until May 2025."""
    rows = []
    for c in fleet:
        r = c.row
        if r["set_id"] in ("T12-1", "T12-2", "T12-3"):
            start = "2025-05-10" if r["cylinder_id"] == "T12-3R" else "2019-01-01"
            rows.append(
                dict(
                    set_id=r["set_id"],
                    cylinder_id=r["cylinder_id"],
                    position=r["set_position"],
                    from_on=start,
                    to_on="",
                )
            )
    if rows:
        rows.append(
            dict(set_id="T12-3", cylinder_id="S12-5", position="right", from_on="2019-01-01", to_on="2025-05-09")
        )
    return rows
