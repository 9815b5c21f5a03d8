"""Whatever happens to a station, in whatever order, it holds the rows that a plain dictionary says.

A Hypothesis state machine: files with new and corrected fills, withdrawals and returns of rows, files and registers, a
register that comes late, a run that dies, a rebuild, a backup restored elsewhere, a warehouse of an earlier form.
"""

import contextlib
import os
import shutil
import tempfile
from pathlib import Path

import pytest
import small_station as s
from hypothesis import HealthCheck, Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, precondition, rule, run_state_machine_as_test
from test_withdraw import rebuild, says

from pipelines.intake.pending import PendingFiles
from pipelines.station import clock
from pipelines.station.backup import restore_backup, write_backup
from pipelines.station.upgrade import open_warehouse
from pipelines.warehouse import files, withdrawn
from pipelines.warehouse.store import Warehouse

FULL = os.environ.get("COLDFILL_SOAK") == "full"
#: cylinders a fill may name; the last is in no register until its file comes
UNITS = ("C1", "C2", "C3", "C9")
#: where a run may die: before this is done, or half of it
DEATHS = {
    "rows are stored": (Warehouse, "rank"),
    "a reading is noted": (files, "record_reading"),
    "rows are left out": (withdrawn, "leave_out"),
    "files are read again": (PendingFiles, "once_more"),
    "what stands is settled": (withdrawn, "to_read_again"),
}
ROWS = st.dictionaries(
    st.sampled_from(["F1", "F2", "F3", "F4"]),
    st.tuples(st.sampled_from(UNITS), st.integers(200, 240)),
    min_size=1,
    max_size=3,
)


class Dead(BaseException):
    """The process is gone; nothing in it gets a chance to tidy."""


class Station(RuleBasedStateMachine):
    """A station on disk beside what it should hold: files by content in order of their times, and who is out."""

    @initialize()
    def begin(self):
        self.root, self.moved = Path(tempfile.mkdtemp(prefix="model-")), 0
        self.station = s.make(self.root / "station")
        s.drop(self.station, "cylinders.csv", s.CYLINDERS)
        self.files: list[tuple[str, dict[str, tuple[str, int]]]] = []
        self.out: set[str] = set()
        self.registers, self.step, self.dies_at = set(UNITS[:3]), 0, ""
        self.take_in()

    def teardown(self):
        if hasattr(self, "root"):
            shutil.rmtree(self.root, ignore_errors=True)

    # --- what it should hold, and does --------------------------------------------------------
    def counts(self) -> dict[str, tuple[str, float]]:
        found = {}
        for name, rows in self.files:
            for key, (unit, bar) in rows.items():
                known = unit in self.registers and f"cylinders:{unit}" not in self.out
                if f"files:{name}" not in self.out and f"fills:{key}" not in self.out and known:
                    found[key] = (unit, float(bar))
        return found

    def take_in(self):
        """Take in what there is, perhaps after a run that dies on the way; then all is as it should be."""
        if self.dies_at:
            with pytest.MonkeyPatch.context() as patch, contextlib.suppress(Dead):
                patch.setattr(*DEATHS[self.dies_at], _die)
                s.take_in(self.station)
            self.dies_at = ""
        s.take_in(self.station)
        self.holds()
        self.step += 1

    def holds(self):
        rows = s.stored(self.station)["fills"]
        assert {r.fill_id: (r.unit_id, r.stop_pressure_bar) for r in rows.itertuples()} == self.counts()
        assert s.take_in(self.station).files_read == 0

    # --- what happens -------------------------------------------------------------------------
    @rule(rows=ROWS)
    def file(self, rows):
        name = f"fills-{self.step:03d}.csv"
        # known bytes in another place keep their first rank: what each file holds is its own
        common = {"operator": f"at step {self.step}"}
        made = [
            s.fill(int(key[1:]), unit_id=unit, stop_pressure_bar=str(bar), **common)
            for key, (unit, bar) in rows.items()
        ]
        s.drop(self.station, name, made, self.step)
        self.files.append((name, rows))
        self.take_in()

    def things(self) -> list[str]:
        of_files = [t for name, rows in self.files for t in (f"files:{name}", *(f"fills:{key}" for key in rows))]
        return sorted({*of_files, *(f"cylinders:{unit}" for unit in self.registers)})

    @precondition(lambda self: self.files)
    @rule(data=st.data())
    def withdraw(self, data):
        for thing in data.draw(st.lists(st.sampled_from(self.things()), min_size=1, max_size=2, unique=True)):
            self.say(thing, back=False)
            self.out.add(thing)
        self.take_in()

    @precondition(lambda self: self.out)
    @rule(data=st.data())
    def bring_back(self, data):
        for thing in data.draw(st.lists(st.sampled_from(sorted(self.out)), min_size=1, max_size=2, unique=True)):
            self.say(thing, back=True)
            self.out.discard(thing)
        self.take_in()

    def say(self, thing: str, *, back: bool):
        source, key = thing.split(":")
        word = (source, s.files(self.station)["file_sha256"].to_dict()[key] if source == "files" else key)
        at = {"withdrawn_at": f"2026-03-30 {9 + self.step // 60:02d}:{self.step % 60:02d}Z"}
        row = says("withdrawals", ":".join(word), **at) if back else says(*word, **at)
        s.drop(self.station, f"withdrawals-{self.step:03d}-{key.split('.')[0]}.csv", [row], self.step)

    @precondition(lambda self: "C9" not in self.registers)
    @rule()
    def register_late(self):
        s.drop(self.station, "cylinders-b.csv", [s.CYLINDERS[0] | {"cylinder_id": "C9"}], self.step)
        self.registers.add("C9")
        self.take_in()

    @rule(at=st.sampled_from(sorted(DEATHS)))
    def the_next_run_dies(self, at):
        self.dies_at = at

    @rule()
    def rebuild(self):
        rebuild(self.station)
        self.holds()

    @rule()
    def restore_elsewhere(self):
        self.moved += 1
        saved, there = self.root / f"{self.moved}.zip", self.root / f"station-{self.moved}"
        write_backup(self.station.folder, saved, clock.now())
        restore_backup(saved, there)
        self.station = s.load_station(there)
        self.holds()

    @rule()
    def was_of_an_earlier_form(self):
        warehouse = Warehouse(self.station.warehouse)
        warehouse.con.execute("DELETE FROM meta WHERE key = 'form'")
        warehouse.close()
        open_warehouse(self.station, clock.now())[0].close()
        self.holds()


def _die(*_, **__):
    raise Dead


@pytest.mark.soak
def test_a_station_holds_what_a_dictionary_says():
    of_ci = settings(
        max_examples=100 if FULL else 2,
        stateful_step_count=20 if FULL else 8,
        deadline=None,
        suppress_health_check=list(HealthCheck),
        phases=[Phase.generate, Phase.shrink] if FULL else [Phase.generate],
    )
    run_state_machine_as_test(Station, settings=of_ci)
