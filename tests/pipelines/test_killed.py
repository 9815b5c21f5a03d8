"""A run that is killed at any moment, within publishing too: every snapshot stands whole and nothing is lost."""

import os
import random
import signal
import subprocess
import sys
import time

import pytest
import small_station as s
from test_pass import _timeless

from schemas.snapshot import NAME, current_name, read_manifest, read_table

FULL = os.environ.get("COLDFILL_SOAK") == "full"
#: kills, and how many of them at least while a snapshot is written that does not count yet
KILLS, PUBLISHING = (200, 50) if FULL else (2, 1)
PROGRAM = "import sys, pipelines.refresh.order, pipelines.cli; print('up', flush=True); pipelines.cli.main()"


def _half_made(station) -> set[str]:
    current = current_name(station.published) or ""
    return {p.name for p in station.published.glob("*") if NAME.fullmatch(p.name) and p.name > current}


@pytest.mark.soak
@pytest.mark.skipif(sys.platform == "win32", reason="POSIX signals")
def test_killed_at_any_moment_nothing_is_lost(tmp_path):
    """kill -9 at random moments of a run: every snapshot in between is whole, and the end is as if undisturbed."""
    dice = random.Random(int(os.environ.get("COLDFILL_SEED", "3")))
    station, fresh = s.stocked(tmp_path / "killed"), s.stocked(tmp_path / "fresh")
    command = [sys.executable, "-c", PROGRAM, "run", "--station", str(station.folder)]
    kills = within = 0
    while kills < KILLS or within < PUBLISHING:
        for target in (station, fresh):
            s.drop(target, f"fills-{kills}.csv", [s.fill(8 + kills % 20, fill_id=f"K{kills}")], 5 + kills)
        before = _half_made(station)
        child = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL)
        assert child.stdout.readline().strip() == b"up"
        if (kills + 1) % 3:
            time.sleep(dice.uniform(0.0, 1.5))
        else:
            while child.poll() is None and not _half_made(station) - before:
                time.sleep(0.002)
            time.sleep(dice.uniform(0.0, 1.0))
        ended = child.poll() is not None
        child.send_signal(signal.SIGKILL)
        child.communicate()
        kills += not ended
        within += not ended and bool(_half_made(station) - before)
        if current_name(station.published):
            manifest = read_manifest(station.published)
            assert len(read_table(station.published, manifest, "fill_quality")) >= 7
    s.run(station)
    s.run(fresh)
    s.same(_timeless(s.published(station)), _timeless(s.published(fresh)))
    assert len(s.stored(station)["fills"]) == 7 + len(list(station.inbox.glob("fills-*.csv")))
    print(f"{kills} kills, {within} of them while a snapshot was being written")
