"""A made-up station whose divers' logs name no unit: who dived what is known here, and to nobody else.

Its people forget what people forget: loans that nobody logs, loans that nobody closes, cylinders borrowed of a friend
or hired elsewhere, fills elsewhere or for nobody in particular, a dive computer left on another size or mix, and one
name for whatever hangs on the back.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

FIRST = pd.Timestamp("2026-04-01T06:00:00Z")
DAYS = 70
ELSEWHERE = "elsewhere"


@dataclass
class Made:
    """Frames as `suggest_units` takes them, and the true unit of each tank, in the order of `tanks`."""

    tanks: pd.DataFrame
    dives: pd.DataFrame
    units: pd.DataFrame
    cylinders: pd.DataFrame
    loans: pd.DataFrame
    fills: pd.DataFrame
    truth: pd.DataFrame

    def given(self) -> tuple[pd.DataFrame, ...]:
        return self.tanks, self.dives, self.units, self.cylinders, self.loans, self.fills


def make(seed: int, logs: int = 60, nameless: float = 0.3) -> Made:
    """A season with so many tanks to be named, besides others that are."""
    chance = np.random.default_rng(seed)
    sizes = [12.0] * 9 + [15.0] * 4 + [10.0] * 3 + [7.0] * 3
    station = {f"S{n}": size for n, size in enumerate(sizes)}
    members = [f"M{n}" for n in range(14)]
    owned: dict[str, list[str]] = {m: [] for m in members}
    capacity = dict(station)
    for n, m in enumerate(members[:8]):
        for k in range(1 + (chance.random() < 0.35)):
            name = f"P{n}{'ab'[k]}"
            owned[m].append(name)
            capacity[name] = float(chance.choice([12.0, 12.0, 15.0, 10.0]))
    habits = {m: _habit(chance, owned[m]) for m in members}
    names = {m: chance.random() < 0.25 for m in members}  # one name for whatever is on the back
    loans, fills, rows, truth, borrowed = [], [], [], [], {}
    used: dict[str, list[pd.Timestamp]] = {}
    count = 0
    for day in range(DAYS):
        for m in chance.permutation(members)[: chance.integers(2, 6)]:
            at = FIRST + pd.Timedelta(days=day, hours=float(chance.uniform(2, 9)))
            how = habits[m][chance.choice(len(habits[m]), p=_weights(habits[m]))][0]
            unit = _taken(chance, m, how, owned, station, borrowed, loans, at)
            if unit != ELSEWHERE and any(abs(at - other) < pd.Timedelta(hours=2) for other in used.get(unit, [])):
                continue
            size = capacity.get(unit, float(chance.choice([12.0, 15.0, 10.0])))
            o2 = float(chance.choice([20.95, 32.0], p=[0.7, 0.3]))
            settled = float(chance.normal(212.0, 9.0))
            if unit != ELSEWHERE and chance.random() < 0.85:
                fills.append(
                    {
                        "unit_id": unit,
                        "filled_at": at - pd.Timedelta(hours=float(chance.uniform(3, 60))),
                        "member_id": m if chance.random() < 0.35 else None,
                        "o2_pct": o2 + chance.normal(0, 0.4),
                        "settled_pressure_bar_15c": settled,
                    }
                )
            named = unit != ELSEWHERE and (count >= logs or chance.random() > 0.6)
            used.setdefault(unit, []).append(at)
            number = len(rows)
            rows.append(
                {
                    "member_id": m,
                    "dive_id": f"D{number}",
                    "tank_no": 1,
                    "unit_id": unit if named else None,
                    "tank_ref": "back" if names[m] else None if chance.random() < nameless else f"{m}-{unit}",
                    "role": "back",
                    "water_capacity_l": _stated(chance, size),
                    "o2_pct": o2 if chance.random() < 0.85 else 20.95,
                    "start_pressure_bar": settled + chance.normal(0, 5) if chance.random() < 0.9 else None,
                    "started_at": at,
                    "duration_min": float(chance.uniform(30, 60)),
                }
            )
            count += not named
            if not named:
                truth.append({"dive_id": f"D{number}", "true_unit": unit})
    # fills for the others, of cylinders that lie full
    for unit in station:
        for _ in range(chance.integers(2, 7)):
            at = FIRST + pd.Timedelta(days=float(chance.uniform(0, DAYS)))
            fills.append({"unit_id": unit, "filled_at": at, "member_id": None,
                          "o2_pct": float(chance.choice([20.95, 32.0])),
                          "settled_pressure_bar_15c": float(chance.normal(212, 9))})  # fmt: skip
    frame = pd.DataFrame(rows)
    units = pd.DataFrame({"unit_id": list(capacity), "water_capacity_l": list(capacity.values())})
    return Made(
        tanks=frame.drop(columns=["started_at", "duration_min"]).astype({"unit_id": "str", "tank_ref": "str"}),
        dives=frame[["member_id", "dive_id", "started_at", "duration_min"]],
        units=units.assign(set_id=None, joined=False),
        cylinders=pd.DataFrame(
            [(c, next((m for m in members if c in owned[m]), "station")) for c in capacity],
            columns=["cylinder_id", "owner_id"],
        ),
        loans=_loans(loans),
        fills=pd.DataFrame(fills).astype({"member_id": "str"}),
        truth=pd.DataFrame(truth),
    )


def _habit(chance, own: list[str]) -> list[tuple[str, float]]:
    """How often a member dives the own, one lent for weeks, one of the station for the day, a friend's, one hired."""
    if own:
        return [("own", 10.0 if chance.random() < 0.7 else 4.0), ("day", 1.5), ("friend", 0.6), (ELSEWHERE, 0.8)]
    return [("lent", 6.0), ("day", 3.0), ("friend", 0.5), (ELSEWHERE, 0.8)]


def _weights(habit: list[tuple[str, float]]) -> np.ndarray:
    weights = np.array([w for _, w in habit])
    return weights / weights.sum()


def _taken(chance, m, how, owned, station, borrowed, loans, at) -> str:
    if how == "own":
        return str(chance.choice(owned[m]))
    if how == "friend":
        return str(chance.choice([c for other, cs in owned.items() if other != m for c in cs]))
    if how == ELSEWHERE:
        return ELSEWHERE
    if how == "day":
        out = {unit for unit, _ in borrowed.values()}
        return str(chance.choice([s for s in station if s not in out]))
    unit, until = borrowed.get(m, (None, at))
    if unit is None or until < at:
        out = {u for who, (u, till) in borrowed.items() if till > at and who != m}
        unit = str(chance.choice([s for s in station if s not in out]))
        until = at + pd.Timedelta(days=float(chance.uniform(5, 30)))
        borrowed[m] = (unit, until)
        if chance.random() < 0.8:  # else nobody logs it
            back = until if chance.random() < 0.75 else pd.NaT  # else nobody closes it
            loans.append({"unit_id": unit, "member_id": m, "out_at": at - pd.Timedelta(hours=2), "back_at": back})
    return unit


def _stated(chance, size: float) -> float | None:
    luck = chance.random()
    return size if luck < 0.75 else None if luck < 0.9 else float(chance.choice([12.0, 11.1]))


def _loans(loans: list[dict]) -> pd.DataFrame:
    frame = pd.DataFrame(loans, columns=["unit_id", "member_id", "out_at", "back_at"])
    return frame.assign(back_at=pd.to_datetime(frame["back_at"], utc=True))


def judged(made: Made, found: pd.DataFrame) -> dict[str, int]:
    """Of the suggestions offered (one a name and member): right for every dive of it, wrong for one or more; withheld
    where the station's own unit was dived throughout, and where no one unit would have been right."""
    known = found.merge(made.truth, on="dive_id")
    count = {"right": 0, "wrong": 0, "withheld": 0, "rightly_withheld": 0}
    for _, group in known.groupby(["member_id", "source_ref"]):
        one = (group["true_unit"] == group["true_unit"].iloc[0]).all() and group["true_unit"].iloc[0] != ELSEWHERE
        offered = group["suggested_unit_id"].iloc[0]
        if offered is None or pd.isna(offered):
            count["withheld" if one else "rightly_withheld"] += 1
        else:
            count["right" if (group["true_unit"] == offered).all() else "wrong"] += 1
    return count
