"""A small station for tests of fills: one steel 12 in test, one compressor, and what a test changes."""

from collections.abc import Mapping
from functools import cache

import pandas as pd

from pipelines.derive.fills.history import with_first_published
from pipelines.derive.fills.step import build_fills, build_fills_today, prepare_fills
from pipelines.derive.units import build_units
from schemas.frames import conform, empty
from schemas.policy import Policy
from schemas.sources import SOURCES

TODAY = pd.Timestamp("2031-06-30")
CYLINDER = {
    "cylinder_id": "S1",
    "owner_id": "station",
    "material": "steel",
    "water_capacity_l": 12.0,
    "working_pressure_bar": 232.0,
    "valve_pressure_bar": 232.0,
    "test_pressure_bar": 348.0,
    "manufactured_on": "2030-01-01",
    "status": "in_service",
}
FILL = {
    "fill_id": "f1",
    "filled_at": "2031-06-01T10:00:00Z",
    "unit_id": "S1",
    "station_id": "quay",
    "source_id": "comp",
    "fill_method": "air",
    "start_pressure_bar": 50.0,
    "target_pressure_bar": 232.0,
    "stop_pressure_bar": 232.0,
    "ambient_c": 20.0,
    "fill_minutes": 8.0,
    "target_o2_pct": 20.95,
    "gauge_id": "panel",
}
COMPRESSOR = {"source_id": "comp", "kind": "compressor"}
#: the fill before, analysed, so that what is inside is known
BEFORE = FILL | {"fill_id": "before", "filled_at": "2031-04-20T10:00:00Z", "analysed_o2_pct": 20.9}
NITROX = {"fill_method": "continuous", "target_o2_pct": 32.0, "analysed_o2_pct": 32.2}
CLEAN = {"cylinder_id": "S1", "inspected_on": "2031-05-01", "kind": "oxygen_clean", "result": "pass"}
COMPATIBLE = COMPRESSOR | {"oxygen_compatible": True}


@cache
def _none_of(name: str) -> pd.DataFrame:
    return empty(SOURCES[name].fields.values()).assign(assumed=pd.Series([], dtype="object"))


def inputs(**rows: list[dict]) -> dict[str, pd.DataFrame]:
    """Every source, empty but for the rows given; a station's cylinder and compressor unless given otherwise."""
    rows = {"cylinders": [CYLINDER], "sources": [COMPRESSOR]} | rows
    return {name: _some_of(name, rows[name]) if rows.get(name) else _none_of(name) for name in SOURCES}


def _some_of(name: str, given: list[dict]) -> pd.DataFrame:
    fields = SOURCES[name].fields.values()
    frame = pd.DataFrame(given)
    for field in fields:
        if field.kind in ("time", "date") and field.name in frame:
            frame[field.name] = pd.to_datetime(frame[field.name], utc=field.kind == "time", format="ISO8601")
    frame = conform(frame, fields)
    return frame.assign(assumed=pd.Series([[] for _ in range(len(frame))], dtype="object"))


class Tables(Mapping):
    """The tables of the fills step, of which most tests ask for what is believed today alone: that is made at once."""

    NAMES = (
        "fill_quality",
        "settling_model",
        "gauge_check",
        "settling_corrections",
        "settling_learned",
        "fills_before_dives",
        "settling_check",
        "settling_learned_then",
        "settling_record",
    )

    def __init__(self, given, units, policy, readings, previous):
        self._asked = given, units, policy, TODAY, readings, previous
        self._made = build_fills_today(prepare_fills(given, units, policy, readings), given, policy, TODAY)
        first = (previous or {}).get("fill_quality")
        self._made["fill_quality"] = with_first_published(self._made["fill_quality"], first)

    def __getitem__(self, name: str) -> pd.DataFrame:
        if name not in self._made and name in self.NAMES:
            self._made = build_fills(*self._asked) | self._made
        return self._made[name]

    def __iter__(self):
        return iter(self.NAMES)

    def __len__(self) -> int:
        return len(self.NAMES)


def built(policy: Policy | None = None, previous=None, readings=None, **rows: list[dict]) -> Tables:
    """The tables of the fills step for such a station."""
    given = inputs(**rows)
    asked = repr([(name, rows.get(name)) for name in ("cylinders", "set_members")])
    if asked not in _UNITS:
        _UNITS[asked] = build_units(given, TODAY)["units"]
    return Tables(given, _UNITS[asked].copy(), policy or Policy(), readings, previous)


#: by cylinders and sets: hardly any test has its own
_UNITS: dict[str, pd.DataFrame] = {}


def one(policy: Policy | None = None, **change) -> pd.Series:
    """The judged row of one fill on known air; keys in capitals are other sources' rows."""
    asked = repr((policy, sorted(change.items())))
    if asked not in _MADE:
        _MADE[asked] = _one(policy, change)
    return _MADE[asked]


#: many tests ask for the same fill
_MADE: dict[str, pd.Series] = {}


def _one(policy: Policy | None, change: dict) -> pd.Series:
    rows = {k.lower(): v for k, v in change.items() if k.isupper()}
    fill = FILL | {k: v for k, v in change.items() if not k.isupper()}
    made = built(policy, fills=[BEFORE | {"unit_id": fill["unit_id"]}, fill], **rows)
    return made["fill_quality"].set_index("fill_id", drop=False).loc[fill["fill_id"]]
