"""Each call to the disk fails once, or is the last before a kill: nothing is lost, the next run ends as if undisturbed.

The real calls, those of the database and of Parquet too: `disk_faults.c` stands between them and the system. In the
full form each call of each act in turn; in the small form a few that matter most.
"""

import errno
import json
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import fault_acts
import pytest
import small_station as s

FULL = os.environ.get("COLDFILL_SOAK") == "full"
HERE = Path(__file__).parent
#: what fails in the small form, by act: the first call that reads so, and the last
FEW = {
    "run": ["write /station/warehouse.duckdb.wal", "rename /station/published/current"],
}
ACTS = tuple(fault_acts.ACTS) if FULL else tuple(FEW)
HOW = {"fails": errno.EIO, "disk full": errno.ENOSPC, "killed": 0}
WAYS = tuple(HOW) if FULL else ("fails",)

pytestmark = [
    pytest.mark.soak,
    pytest.mark.skipif(sys.platform != "linux" or not shutil.which("cc"), reason="stands between libc and the system"),
]


class Driver:
    """The process whose children act, under the library that lets calls fail."""

    def __init__(self, root: Path):
        self.root, self.tried = root, 0
        library = root / "disk_faults.so"
        subprocess.run(["cc", "-shared", "-fPIC", "-O1", "-o", library, HERE / "disk_faults.c", "-ldl"], check=True)
        self.child = subprocess.Popen(
            [sys.executable, HERE / "fault_driver.py"],
            env=os.environ | {"LD_PRELOAD": str(library), "COLDFILL_FAULTS": str(library)},
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )

    def do(self, act: str, base: Path, n: int = 0, error: int = 0) -> dict:
        """An act on a copy of a station, its nth call failing; what came of it and of the run after it."""
        self.tried += 1
        folder = self.root / f"try-{self.tried}" / "station"
        asked = {"act": act, "from": str(base), "folder": str(folder), "n": n, "error": error}
        self.child.stdin.write(json.dumps(asked) + "\n")
        self.child.stdin.flush()
        return json.loads(self.child.stdout.readline())

    def end(self) -> None:
        self.child.stdin.close()
        self.child.wait(30)


@pytest.fixture(scope="module")
def driver(tmp_path_factory):
    made = Driver(tmp_path_factory.mktemp("faults"))
    yield made
    made.end()


@pytest.fixture(scope="module")
def bases(tmp_path_factory):
    """A station before each act: with its new files in the inbox, and computed before unless it is its first run."""
    root = tmp_path_factory.mktemp("bases")
    new = s.stocked(root / "new") if FULL else s.make(root / "new")
    if not FULL:
        s.drop(new, "cylinders.csv", s.CYLINDERS)
        s.drop(new, "members.csv", s.MEMBERS)
        s.drop(new, "fills.csv", [s.fill(n) for n in range(1, 5)])
    shutil.copytree(new.folder, root / "computed")
    s.run(s.load_station(root / "computed"))
    made = {}
    for act in ACTS:
        made[act] = root / act.replace(" ", "-")
        fault_acts.base(act, root / "new", root / "computed", made[act])
    return made


def _chosen(act: str, met: list[str]) -> list[int]:
    if FULL:
        return list(range(1, len(met) + 1))
    return [next(n for n, call in enumerate(met, 1) if call.startswith(wanted)) for wanted in FEW[act]]


@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize("act", ACTS)
def test_a_call_that_fails_loses_nothing_and_is_said_in_words(driver, bases, act, way):
    calm = driver.do(act, bases[act])
    before = fault_acts.state(bases[act])
    chosen, wrong = _chosen(act, calm["met"]), []
    for n in chosen:
        found = driver.do(act, bases[act], n, HOW[way])
        wrong += [f"{n} {calm['met'][n - 1]}: {what}" for what in _wrong(found, calm, before, killed=way == "killed")]
    print(f"{act}, {way}: {len(chosen)} of {len(calm['met'])} calls")
    assert wrong == []


def _wrong(found: dict, calm: dict, before: str, *, killed: bool) -> list[str]:
    if "after" in found:
        return [f"what followed broke: {found['after'][-500:]}"]
    wrong = []
    if found["served"] not in (before, calm["served"]):
        wrong.append(f"neither snapshot is served: {found['served'][:200]}")
    wrong += [f"then {name}: {found[name]}" for name in ("next", "open", "notices") if found[name] != calm[name]]
    if found["again_published"]:
        wrong.append("the next run left something to publish")
    if found["code"] == 2 and [name for name in found.get("entries", []) if not name.startswith(".")]:
        wrong.append("it stands in the inbox although its form says that it is not saved")
    if found.get("restored") not in (None, before):
        wrong.append("the backup restores to something else")
    # a kill leaves what it was making, under a name of its own; the next restore to that place clears it
    asked = ("restored_run",) if killed else ("restored_run", "left_over")
    wrong += [f"{name}: {found[name]}" for name in asked if found.get(name) != calm.get(name)]
    if found.get("still_named"):
        wrong.append(f"the name stands in {found['still_named']}")
    if not killed:
        if "Traceback" in found["said"] or found["code"] not in (0, 1, 2):
            wrong.append(f"ended with {found['code']}: {found['said'][-500:]}")
        if "no advice" in found["said"] or "--debug" in found["said"] or (found["code"] == 2 and not found["said"]):
            wrong.append(f"said: {found['said'][-300:]!r}")
        if found["code"] == 2 and not re.search("/station|/restored|station's (folder|machine)", found["said"]):
            wrong.append(f"does not say where: {found['said'][-300:]!r}")
    return wrong
