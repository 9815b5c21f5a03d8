"""Who and what is at the invented station: members, cylinders, sources, gauges.

Tarrowick Sound does not exist; nor does anybody named here. The first twelve members (first_members.csv) and
thirty cylinders (first_cylinders.csv) are listed one by one, because the planted problems (planted.toml) stand on
them; beyond those, larger stations are drawn at random after the same pattern.
"""

import csv
from dataclasses import dataclass, field, fields
from pathlib import Path

import numpy as np

STATION_ID = "tarrowick"
ZONE = "Europe/London"
HERE = Path(__file__).parent

GIVEN = "Ilva Oskar Neve Tomas Rua Edda Pell Sunniva Corin Marit Jory Hesper Anso Bria Caspar Dorel Esk Fina Garin Hild"
FAMILY = (
    "Askew Birrel Cobbold Dunmere Eskdal Farrowby Gellan Hurst Inchling Jarrow Kelder Lomas Merrin Nessard Orlow "
    "Pendrey Quarrow Rindal Selwick Tolland"
)
CLUB = ["S12-1", "S12-2", "S12-3", "S12-4", "S12-5"]


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


@dataclass
class Cylinder:
    """A row of the register, and what only the generator knows."""

    row: dict
    unit_id: str
    gas: str = "air"  # what it is filled with: air, n32 (banked), c32 (continuous), n50, n36, tx1845, argon
    leak_bar_day: float = 0.0
    inside_factor: float = 1.0  # on the film between gas and wall
    outside_factor: float = 1.0
    capacity_l: float = 12.0
    mass_kg: float = 14.0
    material: str = "steel"


def first_members():
    """The twelve that the planted problems stand on."""
    kinds = {f.name: f.type for f in fields(Member)}
    out = []
    with (HERE / "first_members.csv").open(encoding="utf-8", newline="") as file:
        for texts in csv.DictReader(file):
            row = {k: v if kinds[k] is str else kinds[k](v) for k, v in texts.items() if kinds[k] in (str, int, float)}
            out.append(Member(**row, units=texts["units"].split(), hand_ends=texts["hand_ends"] == "True"))
    return out


def more_members(count, units, rng):
    """Members 13 and on, drawn at random."""
    given, family = GIVEN.split(), FAMILY.split()
    out = []
    for no in range(13, 13 + count):
        out.append(  # noqa: PERF401
            Member(
                member_id=f"M{no:02d}",
                name=f"{given[no % 20]} {family[(no * 7 + no // 20) % 20]} {no}",
                qualification=str(rng.choice(["air", "nitrox", "nitrox"])),
                joined_on=f"20{rng.integers(8, 26):02d}-0{rng.integers(1, 10)}-1{rng.integers(0, 10)}",
                form=str(rng.choice(["csv", "csv", "csv", "depths", "paper"])),
                sample_s=int(rng.choice([10, 10, 20, 4])),
                step_bar=float(rng.choice([0.1, 0.5, 1.0])),
                suit=str(rng.choice(["dry", "semidry", "wet"])),
                level=float(16 * np.exp(rng.normal(0, 0.22))),
                trend_pct_month=float(rng.normal(0, 0.8)),
                depth_pct_10m=float(rng.normal(3, 1.5)),
                cold_pct_10k=float(rng.normal(6, 2)),
                scatter=float(np.clip(rng.normal(0.11, 0.02), 0.05, 0.2)),
                reserve_bar=float(np.clip(rng.normal(62, 12), 30, 95)),
                depth_m=float(np.clip(rng.normal(22, 5), 12, 38)),
                share=float(rng.gamma(4, 6)),
                units=[str(u) for u in rng.choice(units, size=min(4, len(units)), replace=False)],
                hand_ends=bool(rng.random() < 0.4),
            )
        )
    return out


def _number(text):
    value = float(text)
    return int(value) if value.is_integer() and "." not in text else value


def first_cylinders():
    """The thirty that the planted problems stand on."""
    out = []
    with (HERE / "first_cylinders.csv").open(encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file):
            gas, litres = row.pop("gas"), float(row.pop("true_capacity_l"))
            for name in row:
                if row[name] and name.endswith(("_l", "_bar", "_kg", "_cuft", "_psi")):
                    row[name] = _number(row[name])
            unit = row["set_id"] if row["set_kind"] == "manifolded" else row["cylinder_id"]
            out.append(
                Cylinder(
                    row, unit, gas, capacity_l=litres, mass_kg=float(row["empty_mass_kg"]), material=row["material"]
                )
            )
    return out


SIZES = [
    (12.0, 232, 14.2, "steel"),
    (15.0, 232, 17.7, "steel"),
    (10.0, 300, 15.6, "steel"),
    (11.1, 207, 14.2, "aluminium"),
    (7.0, 300, 10.4, "steel"),
]


def more_cylinders(count, rng):
    """Cylinders 31 and on: singles and joined twins."""
    pattern = dict.fromkeys(first_cylinders()[0].row, "")
    out, no = [], 0
    while len(out) < count:
        no += 1
        litres, bar, mass, material = SIZES[rng.integers(len(SIZES))]
        made = f"20{rng.integers(8, 23):02d}-{rng.integers(1, 13):02d}-01"
        gas = str(rng.choice(["air", "air", "n32"]))
        twin = len(out) + 2 <= count and rng.random() < 0.25
        name = f"D{no}" if twin else f"C{no}"
        for side, position in (("L", "left"), ("R", "right")) if twin else (("", ""),):
            row = pattern | dict(
                cylinder_id=name + side,
                owner_id="station",
                material=material,
                water_capacity_l=litres,
                working_pressure_bar=bar,
                test_pressure_bar=round(bar * 1.5),
                valve_pressure_bar=300 if bar > 232 else 232,
                manufactured_on=made,
                set_id=name if twin else "",
                set_position=position,
                set_kind="manifolded" if twin else "",
                boot_fitted="true" if material == "steel" else "false",
                empty_mass_kg=mass,
                status="in_service",
            )
            out.append(Cylinder(row, name, gas, capacity_l=litres, mass_kg=mass, material=material))
    return out


def people_and_cylinders(members, cylinders, rng, planted=True):
    """Members and cylinders of a station of any size, with the hidden factors drawn; one unit in twenty leaks."""
    first = first_cylinders()[:cylinders]
    fleet = first + more_cylinders(max(0, cylinders - 30), rng)
    leaks: dict[str, float] = {}
    for k, c in enumerate(fleet):
        c.inside_factor = float(np.exp(rng.normal(0, 0.12)))
        c.outside_factor = float(np.exp(rng.normal(0, 0.10)))
        c.capacity_l *= float(1 + rng.normal(0, 0.002))
        leak = float(abs(rng.normal(0, 0.02)))
        if (k >= len(first) or not planted) and rng.random() < 0.05:
            leak = float(rng.uniform(0.8, 2.0))
        c.leak_bar_day = leaks.setdefault(c.unit_id, leak)
        if planted and c.row["cylinder_id"] == "S12-4":
            c.leak_bar_day = 1.6
    pool = sorted({c.unit_id for c in fleet[30:]}) or CLUB
    people = first_members()[:members] + more_members(max(0, members - 12), pool, rng)
    return people, fleet


def _source(source_id, kind, fed_by, litres, o2, he, compatible):
    return dict(
        source_id=source_id,
        kind=kind,
        fed_by=fed_by,
        water_capacity_l=litres,
        o2_pct=o2,
        he_pct=he,
        oxygen_compatible=compatible,
    )


SOURCES = [
    _source("comp-1", "compressor", "", "", 20.95, 0, "true"),
    _source("comp-2", "compressor", "", "", 20.95, 0, "false"),
    _source("bank-air", "bank", "comp-1", 200, 20.95, 0, "true"),
    _source("bank-32", "bank", "comp-1", 150, 32, 0, "true"),
    _source("bank-o2", "bank", "", 50, 100, 0, "true"),
    _source("bank-he", "bank", "", 50, 0, 100, "true"),
    _source("bank-ar", "bank", "", 50, 0, 0, "false"),
]

#: gauge, use, accuracy class (EN 837-1), step in bar, last checked, drift in bar a month
GAUGES = [
    ("panel-1", "filling", 1.6, 2, "2026-02-14", 0.0),
    ("panel-2", "filling", 1.6, 5, "2026-01-24", -0.9),
    ("whip-3", "filling", 1.0, 1, "2024-08-09", 0.0),
    ("check-1", "check", 0.25, 0.5, "2026-02-14", 0.0),
]


def gauges(rng, planted=True):
    """Gauges with their register rows, and the true offset (SD half the class's limit of error) and drift."""
    out = []
    for gauge_id, use, accuracy, step, checked, drift in GAUGES:
        limit = accuracy / 100 * 400
        true = (
            float(np.clip(rng.normal(0, limit / 2), -limit, limit)) if use == "filling" else float(rng.normal(0, 0.2))
        )
        out.append(
            dict(
                gauge_id=gauge_id,
                station_id=STATION_ID,
                use=use,
                accuracy_class=accuracy,
                span_bar=400,
                step_bar=step,
                checked_on=checked,
                offset_bar="",
                true_offset_bar=true,
                drift_bar_month=drift if planted else 0.0,
            )
        )
    return out
