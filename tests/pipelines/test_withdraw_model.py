"""Any order of files, withdrawals and returns ends in the rows that a plain dictionary says, and so does a rebuild."""

import os
import random

import pytest
import small_station as s
from test_withdraw import rebuild, says

FIRST = 20 * int(os.environ.get("COLDFILL_SEED", "0"))
SEEDS = range(FIRST, FIRST + 20) if os.environ.get("COLDFILL_SOAK") == "full" else (5,)
STEPS = 12
#: cylinders a fill may name; the last is in no register until its file comes
UNITS = ("C1", "C2", "C3", "C9")


class Model:
    """What a station should hold: files by content in order of their times, and who is out."""

    def __init__(self) -> None:
        self.files: list[tuple[str, dict[str, dict[str, str]]]] = []
        self.out: set[str] = set()
        self.registers = set(UNITS[:3])

    def counts(self) -> dict[str, tuple[str, float]]:
        found = {}
        for name, rows in self.files:
            for key, row in rows.items():
                known = row["unit_id"] in self.registers and f"cylinders:{row['unit_id']}" not in self.out
                if f"files:{name}" not in self.out and f"fills:{key}" not in self.out and known:
                    found[key] = (row["unit_id"], float(row["stop_pressure_bar"]))
        return found


def _holds(station) -> dict[str, tuple[str, float]]:
    rows = s.stored(station)["fills"]
    return {r.fill_id: (r.unit_id, r.stop_pressure_bar) for r in rows.itertuples()}


@pytest.mark.soak
@pytest.mark.parametrize("seed", SEEDS)
def test_a_station_holds_what_a_dictionary_says(tmp_path, seed):
    dice, model = random.Random(seed), Model()
    station = s.make(tmp_path)
    s.drop(station, "cylinders.csv", s.CYLINDERS)
    hashes: dict[str, str] = {}
    for step in range(STEPS):
        act = dice.choice(["file", "file", "withdraw", "withdraw", "return", "register", "rebuild"])
        if act == "file" or not model.files:
            name = f"fills-{step:02d}.csv"
            rows = {
                f"F{n}": s.fill(n, unit_id=dice.choice(UNITS), stop_pressure_bar=str(dice.randint(200, 240)))
                for n in dice.sample(range(1, 5), dice.randint(1, 3))
            }
            s.drop(station, name, list(rows.values()), step)
            model.files.append((name, rows))
        elif act in ("withdraw", "return"):
            things = (
                sorted(model.out)
                if act == "return"
                else [
                    *(f"fills:{key}" for _, rows in model.files for key in rows),
                    *(f"files:{name}" for name, _ in model.files),
                    *(f"cylinders:{unit}" for unit in sorted(model.registers)),
                ]
            )
            for thing in dice.sample(things, min(len(things), 2)):
                source, key = thing.split(":")
                word = (source, hashes[key]) if source == "files" else (source, key)
                at = {"withdrawn_at": f"2026-03-30 09:{step:02d}Z"}
                row = says(*word, **at) if act == "withdraw" else says("withdrawals", ":".join(word), **at)
                s.drop(station, f"withdrawals-{step:02d}-{key.split('.')[0]}.csv", [row], step)
                (model.out.add if act == "withdraw" else model.out.discard)(thing)
        elif act == "register":
            s.drop(station, "cylinders-b.csv", [s.CYLINDERS[0] | {"cylinder_id": "C9"}], step)
            model.registers.add("C9")
        s.take_in(station) if act != "rebuild" else rebuild(station)
        hashes = s.files(station)["file_sha256"].to_dict()
        assert _holds(station) == model.counts(), (step, act)
        assert s.take_in(station).files_read == 0
    rebuild(station)
    assert _holds(station) == model.counts()
