"""Who and what is at the invented station: members, cylinders, sources, gauges.

Tarrowick Sound does not exist; nor does anybody named here. The first twelve members and thirty cylinders
are told one by one, because the planted problems (planted.toml) stand on them; beyond those, larger
stations are drawn at random after the same pattern.
"""

from dataclasses import dataclass, field

import numpy as np

STATION_ID = "tarrowick"
STATION_NAME = "Tarrowick Sound Dive Station"
ZONE = "Europe/London"

GIVEN = ["Ilva", "Oskar", "Neve", "Tomas", "Rua", "Edda", "Pell", "Sunniva", "Corin", "Marit", "Jory", "Hesper",
         "Anso", "Bria", "Caspar", "Dorel", "Esk", "Fina", "Garin", "Hild"]
FAMILY = ["Tarn", "Brim", "Quillon", "Sallow", "Fennick", "Orrin", "Vellow", "Marshlight", "Ivesby", "Draymoor",
          "Larkhollow", "Haleby", "Askew", "Birrel", "Cobbold", "Dunmere", "Eskdal", "Farrowby", "Gellan", "Hurst"]


@dataclass
class Member:
    """A diver: what the register says, and the habits only the generator knows."""

    member_id: str
    name: str
    qualification: str
    joined_on: str
    form: str  # uddf-3.2.2, uddf-3.0.0, uddf-3.2.1, uddf-2.2.0, csv, depths (no tank pressures), paper (no samples)
    sample_s: int
    step_bar: float  # of the transmitter
    suit: str
    level: float  # L/min at 18 m, 12 °C, at the season's start
    trend_pct_month: float
    depth_pct_10m: float
    cold_pct_10k: float
    scatter: float
    reserve_bar: float  # pressure they mean to surface with
    depth_m: float
    share: float
    units: list[str] = field(default_factory=list)
    suit_unit: str = ""
    stage_unit: str = ""
    second_dive: float = 0.35
    hand_ends: bool = False


def _m(no, qualification, joined_on, form, sample_s, step_bar, suit, level, trend, depth_pct, cold_pct, scatter, reserve, depth_m, share,
       units, suit_unit="", stage_unit="", second=0.35, hand=False):
    name = f"{GIVEN[no - 1]} {FAMILY[no - 1]}"
    return Member(f"M{no:02d}", name, qualification, joined_on, form, sample_s, step_bar, suit, level, trend, depth_pct, cold_pct, scatter,
                  reserve, depth_m, share, units, suit_unit, stage_unit, second, hand)


CLUB = ["S12-1", "S12-2", "S12-3", "S12-4", "S12-5"]


def first_members():
    """The twelve that the planted problems stand on."""
    return [
        _m(1, "trimix", "2014-03-02", "uddf-3.2.2", 10, 0.5, "dry", 14.6, 0.2, 2, 4, 0.08, 80, 36, 38, ["T12-1"], "SB-1", "ST-1", 0.15),
        _m(2, "normoxic_trimix", "2016-09-18", "uddf-3.0.0", 20, 0.1, "dry", 15.8, -0.2, 3, 6, 0.09, 75, 30, 36, ["T12-2"], "SB-2", "", 0.45),
        _m(3, "nitrox", "2018-05-06", "csv", 10, 0.5, "dry", 16.4, 0.0, 3, 6, 0.10, 70, 29, 30, ["T7-1"], "SB-3", "", 0.25),
        _m(4, "nitrox", "2019-04-14", "csv", 4, 0.1, "dry", 13.8, -0.3, 2, 4, 0.09, 70, 24, 26, ["SM-1L"], "", "", 0.3),
        _m(5, "nitrox", "2023-06-11", "csv", 10, 1.0, "semidry", 21.6, 0.5, 5, 9, 0.11, 50, 26, 30, ["S12-1", "S12-2", "S12-3"], "", "", 0.3),
        _m(6, "nitrox", "2012-07-01", "uddf-2.2.0", 30, 1.0, "dry", 15.1, 0.1, 2, 5, 0.09, 65, 22, 26, ["S15-1", "S15-2"]),
        _m(7, "nitrox", "2021-08-22", "uddf-3.2.1", 20, 0.5, "wet", 15.9, 0.3, 4, 12, 0.11, 68, 17, 24, ["AL-1", "AL-2", "AL-3"]),
        _m(8, "air", "2009-05-30", "paper", 0, 1.0, "dry", 17.0, 0.0, 3, 5, 0.10, 68, 17, 22, [*CLUB]),
        _m(9, "nitrox", "2020-10-10", "depths", 20, 1.0, "dry", 16.2, -0.1, 3, 7, 0.10, 70, 20, 20, ["S10-1", "S15-3", "S12-3"], hand=True),
        _m(10, "nitrox", "2017-02-19", "csv", 10, 1.0, "dry", 16.8, 0.2, 3, 5, 0.09, 75, 28, 22, ["T12-3"], hand=True),
        _m(11, "air", "2026-03-08", "csv", 10, 0.5, "semidry", 23.0, -3.6, 6, 10, 0.12, 68, 15, 24, ["S12-4", "S12-2", "S12-1", "S12-3"]),
        _m(12, "nitrox", "2025-11-16", "csv", 20, 1.0, "dry", 17.5, 0.0, 3, 6, 0.12, 65, 20, 5, ["S10-2"]),
    ]


def more_members(count, units, rng):
    """Members 13 and on, drawn at random."""
    out = []
    for no in range(13, 13 + count):
        form = rng.choice(["csv", "csv", "csv", "depths", "paper"])
        suit = rng.choice(["dry", "semidry", "wet"])
        out.append(Member(
            f"M{no:02d}", f"{GIVEN[no % 20]} {FAMILY[(no * 7 + no // 20) % 20]} {no}", str(rng.choice(["air", "nitrox", "nitrox"])),
            f"20{rng.integers(8, 26):02d}-0{rng.integers(1, 10)}-1{rng.integers(0, 10)}", str(form), int(rng.choice([10, 10, 20, 4])),
            float(rng.choice([0.1, 0.5, 1.0])), str(suit), float(16 * np.exp(rng.normal(0, 0.22))), float(rng.normal(0, 0.8)),
            float(rng.normal(3, 1.5)), float(rng.normal(6, 2)), float(np.clip(rng.normal(0.11, 0.02), 0.05, 0.2)),
            float(np.clip(rng.normal(62, 12), 30, 95)), float(np.clip(rng.normal(22, 5), 12, 38)), float(rng.gamma(4, 6)),
            [str(u) for u in rng.choice(units, size=min(4, len(units)), replace=False)], hand_ends=bool(rng.random() < 0.4),
        ))
    return out


@dataclass
class Cylinder:
    """A row of the register, and what only the generator knows."""

    row: dict
    unit_id: str
    gas: str = "air"  # what it is filled with: air, n32 (banked), c32 (continuous), n50, tx1845, argon
    leak_bar_day: float = 0.0
    inside_factor: float = 1.0  # on the film between gas and wall
    outside_factor: float = 1.0
    capacity_l: float = 12.0
    mass_kg: float = 14.0
    material: str = "steel"


def _c(cid, litres, bar, mass, material="steel", owner="station", made="2015-03", gas="air", set_id="", position="", kind="", status="in_service",
       **more):
    row = dict(cylinder_id=cid, owner_id=owner, material=material, water_capacity_l=litres, working_pressure_bar=bar,
               test_pressure_bar=round(bar * 1.5) if bar else None, valve_pressure_bar=300 if bar and bar > 232 else 232, spec="", alloy="",
               manufactured_on=f"{made}-01", first_used_on="", service_life_ends_on="", rule_set="", regime="", set_id=set_id, set_position=position,
               set_kind=kind, boot_fitted="true" if material == "steel" else "false", empty_mass_kg=mass, plus_marked="", status=status,
               rated_capacity_cuft="", service_pressure_psi="", rated_at_psi="")
    row.update(more)
    return Cylinder(row, set_id if kind == "manifolded" else cid, gas, capacity_l=litres, mass_kg=mass, material=material)


def first_cylinders():
    """The thirty that the planted problems stand on."""
    out = [_c(f"S12-{k}", 12.0, 232, round(13.9 + 0.13 * k, 1), made=made) for k, made in
           zip(range(1, 6), ["2016-05", "2016-05", "2018-02", "2013-09", "2011-04"], strict=True)]
    out.append(_c("S12-6", 12.0, 232, 14.4, made="2001-06", status="condemned"))
    out += [_c("S15-1", 15.0, 232, 17.6, owner="M06", made="2017-03", gas="n32"), _c("S15-2", 15.0, 232, 17.9, owner="M06", made="2009-06", gas="n32"),
            _c("S15-3", 15.0, 232, 17.5, made="2014-07")]
    out += [_c("S10-1", 10.0, 300, 15.6, owner="M09", made="2019-10"), _c("S10-2", 10.0, 232, 11.7, made="2016-11")]
    cuft = _c("AL-1", 11.1, None, 14.2, "aluminium", owner="M07", made="2018-06", spec="3AL", alloy="6061", rated_capacity_cuft=77.4,
              service_pressure_psi=3000, water_capacity_l="", working_pressure_bar="", test_pressure_bar=345, valve_pressure_bar=232)
    out += [cuft, _c("AL-2", 11.1, 207, 14.3, "aluminium", owner="M07", made="2016-03", alloy="6061", test_pressure_bar=311),
            _c("AL-3", 11.1, 207, 14.1, "aluminium", made="1999-08", alloy="6351", test_pressure_bar=311)]
    for name, owner, made, gas in (("T12-1", "M01", "2017-09", "c32"), ("T12-2", "M02", "2018-04", "n32"), ("T12-3", "M10", "2015-10", "air")):
        out += [_c(f"{name}{s}", 12.0, 232, round(14.0 + 0.2 * (s == "R"), 1), owner=owner, made=made, gas=gas, set_id=name, position=p,
                   kind="manifolded") for s, p in (("L", "left"), ("R", "right"))]
    out += [_c(f"T7-1{s}", 7.0, 300, 10.4, owner="M03", made="2019-03", gas="air", set_id="T7-1", position=p, kind="manifolded", test_pressure_bar=450)
            for s, p in (("L", "left"), ("R", "right"))]
    out += [_c(f"SM-1{s}", 11.1, 207, 14.2, "aluminium", owner="M04", made="2019-05", gas="n32", set_id="SM-1", position=p, kind="sidemount",
               alloy="6061", test_pressure_bar=311) for s, p in (("L", "left"), ("R", "right"))]
    out += [_c("ST-1", 7.0, 207, 8.4, "aluminium", owner="M01", made="2018-03", gas="n50", alloy="6061", test_pressure_bar=311),
            _c("ST-2", 11.1, 207, 14.2, "aluminium", made="2015-06", gas="air", alloy="6061", test_pressure_bar=311)]
    out += [_c("SB-1", 1.5, 200, 2.3, "aluminium", owner="M01", made="2019-02", gas="argon", alloy="6061"),
            _c("SB-2", 1.5, 200, 2.3, "aluminium", owner="M02", made="2018-08", gas="air", alloy="6061"),
            _c("SB-3", 1.0, 200, 1.7, "aluminium", owner="M03", made="2017-05", gas="air", alloy="6061")]
    out.append(_c("CW-1", 6.8, 300, 4.1, "composite", made="2012-02", status="withdrawn", test_pressure_bar=450))
    return out


def more_cylinders(count, rng):
    """Cylinders 31 and on: singles and joined twins, a few of them leaking."""
    out, no = [], 0
    while len(out) < count:
        no += 1
        size, bar, mass, material = [(12.0, 232, 14.2, "steel"), (15.0, 232, 17.7, "steel"), (10.0, 300, 15.6, "steel"), (11.1, 207, 14.2, "aluminium"),
                                     (7.0, 300, 10.4, "steel")][rng.integers(5)]
        made = f"20{rng.integers(8, 23):02d}-{rng.integers(1, 13):02d}"
        gas = str(rng.choice(["air", "air", "n32"]))
        if len(out) + 2 <= count and rng.random() < 0.25:
            name = f"D{no}"
            out += [_c(f"{name}{s}", size, bar, mass, material, made=made, gas=gas, set_id=name, position=p, kind="manifolded")
                    for s, p in (("L", "left"), ("R", "right"))]
        else:
            out.append(_c(f"C{no}", size, bar, mass, material, made=made, gas=gas))
    return out


def people_and_cylinders(members, cylinders, rng, planted=True):
    """Members and cylinders of a station of any size, with the hidden factors drawn."""
    fleet = first_cylinders()[:cylinders] + more_cylinders(max(0, cylinders - 30), rng)
    seen = {}
    for c in fleet:
        c.inside_factor = float(np.exp(rng.normal(0, 0.12)))
        c.outside_factor = float(np.exp(rng.normal(0, 0.10)))
        c.capacity_l *= float(1 + rng.normal(0, 0.002))
        leak = float(abs(rng.normal(0, 0.02)))
        if not planted or int(c.row["cylinder_id"][-1].isdigit()) and c.row["cylinder_id"].startswith(("C", "D")):
            leak = float(rng.uniform(0.8, 2.0)) if rng.random() < 0.05 else leak
        c.leak_bar_day = seen.setdefault(c.unit_id, leak)
        if planted and c.row["cylinder_id"] == "S12-4":
            c.leak_bar_day = 1.6
    pool = sorted({c.unit_id for c in fleet[30:]}) or CLUB
    people = first_members()[:members] + more_members(max(0, members - 12), pool, rng)
    return people, fleet


SOURCES = [
    dict(source_id="comp-1", kind="compressor", fed_by="", water_capacity_l="", o2_pct=20.95, he_pct=0, oxygen_compatible="true"),
    dict(source_id="comp-2", kind="compressor", fed_by="", water_capacity_l="", o2_pct=20.95, he_pct=0, oxygen_compatible="false"),
    dict(source_id="bank-air", kind="bank", fed_by="comp-1", water_capacity_l=200, o2_pct=20.95, he_pct=0, oxygen_compatible="true"),
    dict(source_id="bank-32", kind="bank", fed_by="comp-1", water_capacity_l=150, o2_pct=32, he_pct=0, oxygen_compatible="true"),
    dict(source_id="bank-o2", kind="bank", fed_by="", water_capacity_l=50, o2_pct=100, he_pct=0, oxygen_compatible="true"),
    dict(source_id="bank-he", kind="bank", fed_by="", water_capacity_l=50, o2_pct=0, he_pct=100, oxygen_compatible="true"),
    dict(source_id="bank-ar", kind="bank", fed_by="", water_capacity_l=50, o2_pct=0, he_pct=0, oxygen_compatible="false"),
]


def gauges(rng):
    """Gauges with their register rows, and the true offset and its drift a month."""
    rows = [
        dict(gauge_id="panel-1", use="filling", accuracy_class=1.6, span_bar=400, step_bar=2, checked_on="2026-02-14"),
        dict(gauge_id="panel-2", use="filling", accuracy_class=1.6, span_bar=400, step_bar=5, checked_on="2024-03-09"),
        dict(gauge_id="whip-3", use="filling", accuracy_class=1.0, span_bar=400, step_bar=1, checked_on="2026-02-14"),
        dict(gauge_id="check-1", use="check", accuracy_class=0.25, span_bar=400, step_bar=0.5, checked_on="2026-02-14"),
    ]
    for r in rows:
        limit = r["accuracy_class"] / 100 * r["span_bar"]
        r.update(station_id=STATION_ID, offset_bar="")
        r["true_offset_bar"] = float(np.clip(rng.normal(0, limit / 2), -limit, limit)) if r["use"] == "filling" else float(rng.normal(0, 0.2))
        r["drift_bar_month"] = 0.0
    rows[1]["drift_bar_month"] = -0.9
    return rows
