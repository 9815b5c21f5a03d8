"""Invented stations whose cylinders stand, are dived and leak: truth for the leak rates that coldfill finds.

Physics written apart (`fill_station_sim`: CoolProp's air equation, two wall layers, explicit steps). Gauges are off by
a constant and drift, readings come in steps, the room is not where the thermometer hangs, cylinders stand for a week or
for days, some use is logged by divers' own gauges and some by nobody. What comes out are input frames as intake would
give them; what was believed of each fill is then coldfill's own work, with the errors that it has.
"""

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from schemas.frames import conform, empty
from schemas.sources import SOURCES
from schemas.tables import TABLES
from tests.pipelines.fill_station_sim import ATM, _fill, density, pressure

FREE_MOL_M3 = 1e5 / (8.314462618 * 288.15)
EPOCH = pd.Timestamp("2031-01-06", tz="UTC")
KINDS = [("steel", 12.0, 232.0, 14.2), ("steel", 15.0, 232.0, 17.4), ("steel", 10.0, 300.0, 16.4),
         ("aluminium", 11.1, 207.0, 14.2), ("steel", 24.0, 232.0, 28.4)]  # fmt: skip


@dataclass(frozen=True)
class Habits:
    """How a station lives; each is drawn or set by the trial."""

    units: int = 24
    leaking: int = 4
    #: content lost a day by those that leak, free litres a litre
    leak_bar_day: tuple[float, float] = (0.6, 2.0)
    #: 0: steady; 1: in proportion to the pressure; 2: to its square
    leak_power: float = 1.0
    #: day from which leaks begin
    leak_from_day: float = 0.0
    days: float = 240.0
    #: `weekly`, `days`, `mixed`, `fortnight`
    rhythm: str = "mixed"
    dived: float = 0.4
    logged: float = 0.8
    partly_used: float = 0.03
    settled: float = 0.2
    step_bar: float = 1.0
    gauges: int = 1
    gauge_sd_bar: float = 3.2
    drift_bar_month: float = 0.0
    room_sd_c: float = 1.5
    swing_c: float = 7.0
    bank: bool = False
    settled_hours: tuple[float, float] = (5.0, 24.0)


@dataclass
class Season:
    """What such a station writes down, and what was so."""

    inputs: dict[str, pd.DataFrame]
    tank_use: pd.DataFrame
    #: mean content lost by the leak a day of standing, by unit: of all stays, and of those more than half full
    rate: pd.Series
    rate_full: pd.Series
    day_from: float
    truth: dict[str, float] = field(default_factory=dict)


def simulate(seed: int, habits: Habits, steps: int = 60) -> Season:
    """A season of one station. Units that leak come first."""
    rng = np.random.default_rng([seed, 77])
    n = habits.units
    kind = rng.choice(len(KINDS), n, p=[0.4, 0.15, 0.1, 0.15, 0.2])
    material = np.array([KINDS[k][0] for k in kind])
    litres = np.array([KINDS[k][1] for k in kind])
    working = np.array([KINDS[k][2] for k in kind])
    mass = np.array([KINDS[k][3] for k in kind]) * np.exp(rng.normal(0, 0.04, n))
    heat = mass * np.where(material == "steel", 478.0, 905.0)
    true_litres = litres * np.exp(rng.normal(0, 0.004, n))
    leak = np.where(np.arange(n) < habits.leaking, rng.uniform(*habits.leak_bar_day, n), 0.0)
    film, jet = np.exp(rng.normal(0, 0.3, 2))
    outside = 8.5 * np.exp(rng.normal(0, 0.2))
    delivery, least, flow = rng.normal(11, 3), rng.uniform(130, 180), rng.choice([150.0, 220.0, 300.0])
    offset0 = rng.normal(0, habits.gauge_sd_bar, habits.gauges)
    check_offset = rng.normal(0, 0.25)
    room_off, room_season = rng.normal(0, habits.room_sd_c), rng.normal(0, 1.0)
    warming = rng.uniform(0.09, 0.15)
    diver_offset = rng.normal(0, 1.5, 8)
    gap = {"weekly": (7.0, 0.12), "fortnight": (14.0, 0.3), "days": (3.0, 1.5), "mixed": (6.0, 4.0)}[habits.rhythm]

    def season(day):
        return 16 + habits.swing_c * np.sin(2 * np.pi * (day - 110) / 365)

    weather = rng.normal(0, 2.0, int(habits.days) + 400)

    def room(day):
        return season(day) + room_off + room_season * np.sin(2 * np.pi * day / 365) + 0.6 * weather[day.astype(int)]

    def water(day):
        return 10 + 5 * np.sin(2 * np.pi * (day - 140) / 365)

    def leaked(d, day, span):
        """Density after a stay: what leaks goes in small steps, slower as the pressure falls."""
        lost = np.zeros(n)
        for _ in range(8):
            bar = pressure(np.maximum(d, 1.0), 288.15) - ATM
            # what counts for the truth: stays of cylinders that are there, once leaks have begun
            counts = (day < habits.days) & (day >= habits.leak_from_day) & (bar > 0.5 * working)
            now = leak * np.clip(bar / working, 0, 1.2) ** habits.leak_power * (day >= habits.leak_from_day)
            gone = np.minimum(now * span / 8 * FREE_MOL_M3, 0.98 * d)
            stood_full[counts] += (span / 8 * np.ones(n))[counts]
            gone_full[counts] += gone[counts] / FREE_MOL_M3
            d, lost, day = d - gone, lost + gone, day + span / 8
        return d, lost / FREE_MOL_M3

    fills, dives, use = [], [], []
    stood, gone, stood_full, gone_full = np.zeros((4, n))
    day = rng.uniform(0.3, 4.0, n)
    d = density(np.full(n, 60.0) + ATM, np.full(n, 288.15))
    for round_no in range(400):
        here = day < habits.days
        if not here.any():
            break
        # --- arrives and is filled
        gas_c = room(day) + rng.normal(0, 0.8, n)
        ambient = season(day) + weather[day.astype(int)] * 0.8
        gauge = rng.integers(0, habits.gauges, n)
        offset = offset0[gauge] + habits.drift_bar_month * day / 30.44
        came = pressure(d, gas_c + 273.15) - ATM
        stop = np.maximum(working - offset + rng.normal(0, 1.0, n), came + 1.0)
        bank = rng.random(n) < (0.5 if habits.bank else 0.0)
        minutes = np.where(bank, true_litres * (stop - came) / 700.0, true_litres * (stop - came) / flow) + 0.2
        # a small top-up warms in proportion; the explicit steps are made for whole fills
        top_up = stop - came < 60.0
        inflow_k = ambient + 273.15 + np.where(bank, 0.0, delivery)
        whole_from, whole_min = np.where(top_up, stop - 60.0, came), np.maximum(minutes, 1.0)
        bank_bar, conducts = np.where(bank, stop + 40, np.nan), np.where(material == "steel", 45.0, 160.0)
        gas_k, _ = _fill(rng, whole_from, stop, whole_min, ambient + 273.15, inflow_k, bank_bar, least,
                         true_litres / 1000, heat, 350.0, film, jet, outside, conducts, steps)  # fmt: skip
        gas_k = np.where(top_up, gas_c + 273.15 + warming * (stop - came) * np.exp(rng.normal(0, 0.1, n)), gas_k)
        d = density(stop + ATM, gas_k)
        hours = rng.uniform(*habits.settled_hours, n)
        kept = stood_full.copy(), gone_full.copy()
        d_then, _ = leaked(d, day, hours / 24)
        stood_full, gone_full = kept
        settled_c = room(day + hours / 24) + rng.normal(0, 0.5, n)
        settled = pressure(d_then, settled_c + 273.15) - ATM + check_offset
        has_settled = rng.random(n) < habits.settled
        for i in np.flatnonzero(here):
            at = EPOCH + pd.Timedelta(days=day[i])
            fills.append(
                {
                    "fill_id": f"F{i:03d}-{round_no:03d}",
                    "filled_at": at,
                    "unit_id": f"U{i:03d}",
                    "station_id": "P",
                    "source_id": "bank" if bank[i] else "K",
                    "fill_method": "air",
                    "gauge_id": f"G{gauge[i]}",
                    "start_pressure_bar": _step(came[i] + offset[i], habits.step_bar),
                    "target_pressure_bar": working[i],
                    "stop_pressure_bar": _step(stop[i] + offset[i], habits.step_bar),
                    "ambient_c": round(ambient[i] + rng.normal(0, 0.6)),
                    "fill_minutes": round(minutes[i], 1),
                    "target_o2_pct": 20.95,
                    "settled_pressure_bar": round(settled[i], 1) if has_settled[i] else np.nan,
                    "settled_c": round(settled_c[i] + rng.normal(0, 0.4), 1) if has_settled[i] else np.nan,
                    "settled_at": at + pd.Timedelta(hours=hours[i]) if has_settled[i] else pd.NaT,
                }
            )
        # --- stands, is dived or partly used
        wait = np.clip(rng.normal(*gap, n), 0.7, 40.0)
        dived = rng.random(n) < habits.dived
        logged = dived & (rng.random(n) < habits.logged)
        share = rng.uniform(0.3, 0.7, n)
        first = np.where(dived, share * wait, wait)
        d, lost = leaked(d, day, first)
        stood, gone = stood + np.where(here, first, 0), gone + np.where(here, lost, 0)
        dive_day = day + first
        air_c = season(dive_day) + rng.normal(0, 2, n)
        start_c = air_c + rng.normal(0, 3, n)
        before = pressure(d, start_c + 273.15) - ATM
        after = rng.uniform(40, 110, n)
        end_c = water(dive_day) - 3.5 + rng.normal(0, 1.5, n)
        d_end = np.minimum(density(after + ATM, end_c + 273.15), 0.95 * d)
        used = (d - d_end) / FREE_MOL_M3
        who = rng.integers(0, 8, n)
        for i in np.flatnonzero(here & logged):
            dive_id, member = f"D{i:03d}-{round_no:03d}", f"M{who[i]}"
            at = EPOCH + pd.Timedelta(days=dive_day[i])
            dives.append({"dive_id": dive_id, "member_id": member, "started_at": at, "duration_min": 45.0,
                          "air_c": round(air_c[i]), "water_c": round(water(dive_day)[i])})  # fmt: skip
            wrong = rng.normal(0, 1.5)
            use.append(
                {
                    "dive_id": dive_id,
                    "member_id": member,
                    "tank_no": 1,
                    "unit_id": f"U{i:03d}",
                    "role": "back",
                    "o2_pct": 20.95,
                    "he_pct": 0.0,
                    "start_pressure_bar": round(before[i] + diver_offset[who[i]]),
                    "end_pressure_bar": round(pressure(d_end, end_c + 273.15)[i] - ATM + diver_offset[who[i]]),
                    "gas_used_free_l": litres[i] * used[i] * np.exp(rng.normal(0, 0.01)),
                    "start_gas_c": start_c[i] + wrong,
                }
            )
        d = np.where(dived, d_end, d)
        partly = rng.random(n) < habits.partly_used
        d = np.where(partly, d * rng.uniform(0.86, 0.97, n), d)
        second = np.where(dived, wait - first, 0.0)
        d, lost = leaked(d, day + first, second)
        stood, gone = stood + np.where(here, second, 0), gone + np.where(here, lost, 0)
        d = np.maximum(d, density(np.full(n, 2.0) + ATM, np.full(n, 288.15)))
        day = day + wait
    cylinders = [
        {"cylinder_id": f"U{i:03d}", "owner_id": "station", "material": material[i], "water_capacity_l": litres[i],
         "working_pressure_bar": working[i], "valve_pressure_bar": working[i], "empty_mass_kg": round(mass[i], 1),
         "manufactured_on": pd.Timestamp("2029-06-01"), "status": "in_service"}
        for i in range(n)
    ]  # fmt: skip
    gauges = [{"gauge_id": f"G{g}", "station_id": "P", "accuracy_class": 1.6, "span_bar": 400.0,
               "step_bar": habits.step_bar} for g in range(habits.gauges)]  # fmt: skip
    inputs = {name: empty(source.fields.values()) for name, source in SOURCES.items()}
    inputs |= {
        "fills": typed("fills", fills),
        "cylinders": typed("cylinders", cylinders),
        "gauges": typed("gauges", gauges),
        "sources": typed("sources", [{"source_id": "K", "kind": "compressor"}, {"source_id": "bank", "kind": "bank"}]),
        "dives": typed("dives", dives),
    }
    names = [f"U{i:03d}" for i in range(n)]
    rate = pd.Series(gone / np.maximum(stood, 1e-9), names)
    rate_full = pd.Series(gone_full / np.maximum(stood_full, 1e-9), names)
    used = (
        conform(pd.DataFrame(use), TABLES["dive_tank_use"].fields.values())
        if use
        else empty(TABLES["dive_tank_use"].fields.values())
    )
    return Season(inputs, used, rate, rate_full, habits.leak_from_day)


def typed(source: str, rows: list[dict]) -> pd.DataFrame:
    """Rows as intake would give them."""
    fields = SOURCES[source].fields.values()
    return conform(pd.DataFrame(rows), fields) if rows else empty(fields)


def _step(bar: float, step: float) -> float:
    return max(float(np.round(bar / step) * step), 0.0)
