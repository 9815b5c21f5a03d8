"""Whatever the checks accept can be computed: stations of odd, extreme and sparse rows come through a run."""

import os
import random

import pytest
import small_station as s

from pipelines.station.text import RULE_SETS
from schemas import check
from schemas.fields import Field
from schemas.sources import SOURCES, Source

SEEDS = range(60) if os.environ.get("COLDFILL_SOAK") == "full" else range(3)
NAMES = {
    "member_id": ["M1", "M2", "M3"],
    "owner_id": ["station", "M1"],
    "cylinder_id": ["C1", "C2", "C3", "C4"],
    "unit_id": ["C1", "C2", "C3", "P1"],
    "set_id": ["P1", "P2", ""],
    "dive_id": ["D1", "D2", "D3"],
    "fill_id": [f"F{n}" for n in range(30)],
    "source_id": ["k1", "b1"],
    "compressor_id": ["k1", "k2"],
    "gauge_id": ["g1", "g2"],
    "settled_gauge_id": ["g1", "g2"],
    "target_id": ["M1", "C1", "D1"],
    "fed_by": ["k1"],
    "station_id": ["north", "south"],
}


def _value(field: Field, dice: random.Random) -> str:
    if field.kind == "float":
        low = -5.0 if field.low is None else field.low
        high = 500.0 if field.high is None else field.high
        edge = dice.random()
        return repr(low if edge < 0.15 else high if edge < 0.3 else round(dice.uniform(low, high), 2))
    if field.kind == "int":
        low = int(field.low or 0)
        return str(dice.randint(low, min(int(field.high or 9), low + 12)))
    if field.choices:
        return dice.choice(field.choices)
    if field.kind == "bool":
        return dice.choice(["true", "false"])
    if field.kind == "time":
        return (
            f"2026-0{dice.randint(1, 3)}-{dice.randint(1, 28):02d} {dice.randint(0, 23):02d}:{dice.randint(0, 59):02d}"
        )
    if field.kind == "date":
        return dice.choice(["2026-03-15", "1955-01-01", f"20{dice.randint(10, 26):02d}-02-{dice.randint(1, 28):02d}"])
    return "hydrostatic;visual" if field.name == "kinds" else dice.choice(["a", "x y", "=1+1", "<b>é"])


def _rows(source: Source, dice: random.Random) -> list[dict[str, str]]:
    """Rows with distinct keys; optional columns are there by chance, and filled by chance."""
    optional = [name for name in source.fields if name not in source.required and name != "revised_at"]
    columns = [*sorted(source.required), *(name for name in optional if dice.random() < 0.7)]
    if source.name == "cylinders":
        columns += ["water_capacity_l", "working_pressure_bar"]
    size = {"members": 3, "dive_samples": 200}.get(source.name, dice.randint(1, 25))
    made: dict[tuple, dict[str, str]] = {}
    for n in range(size):
        row = {
            name: ""
            if name not in source.required and dice.random() < 0.2
            else dice.choice(NAMES[name])
            if name in NAMES
            else _value(source.fields[name], dice)
            for name in dict.fromkeys(columns)
        }
        if source.name in ("members", "cylinders"):
            row[source.key[0]] = f"{source.name[0].upper()}{n + 1}"
        if source.name == "dive_samples":
            row |= {"t_s": str(n // 3 * 10), "dive_id": f"D{n % 3 + 1}", "member_id": ""}
        made.setdefault(tuple(row.get(name, "") for name in source.key), row)
    return list(made.values())


@pytest.mark.soak
@pytest.mark.parametrize("seed", SEEDS)
def test_a_station_of_odd_rows_is_computed(tmp_path, seed):
    dice = random.Random(seed)
    station = s.make(tmp_path, rule_set=dice.choice(RULE_SETS))
    for name, source in SOURCES.items():
        if name in ("members", "cylinders") or dice.random() > 0.12:
            s.drop(station, f"{name}.csv", _rows(source, dice))
    result = s.run(station)
    assert result.intake.rows_read == result.intake.rows_accepted + result.intake.rows_rejected > 0
    for table, rows in s.published(station).items():
        check.table_model(table).validate(rows, lazy=True)
    assert not s.run(station).published
