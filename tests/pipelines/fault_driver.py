"""Runs acts on copies of a station, each with one chosen call to the disk that fails or at which the process ends.

A process of its own, under `LD_PRELOAD` of `disk_faults.c`; each act is a child forked from it, so that nothing is
loaded anew for each. A line of JSON in (`act`, `n`, `error`, `folder`), a line out.
"""

import ctypes
import json
import os
import shutil
import signal
import sys
import tempfile
import traceback
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

import fault_acts
import pandas as pd  # noqa: F401 - loaded once for all children

import pipelines.cli
import pipelines.cli.withdrawing
import pipelines.refresh.order
import pipelines.refresh.run  # noqa: F401

MOST_SECONDS = 120
_faults = ctypes.CDLL(os.environ["COLDFILL_FAULTS"])


def in_child(what, *, below: str = "", n: int = 0, error: int = 0) -> tuple[int, str, list[str]]:
    """What a function ends with in a child: its code (negative: of a signal), what it prints, the calls met."""
    with tempfile.TemporaryFile() as out, tempfile.TemporaryFile() as log:
        pid = os.fork()
        if pid == 0:
            code = 99
            try:
                signal.alarm(MOST_SECONDS)
                os.dup2(out.fileno(), 1)
                os.dup2(out.fileno(), 2)
                if below:
                    _faults.faults_arm(below.encode(), ctypes.c_long(n), error, log.fileno())
                what()
                code = 0
            except SystemExit as end:
                code = end.code if isinstance(end.code, int) else 0 if end.code is None else 1
            except BaseException:
                os.write(2, traceback.format_exc().encode())
            finally:
                _faults.faults_arm(b"", ctypes.c_long(0), 0, -1)
                sys.stdout.flush()
                os._exit(code)
        _, status = os.waitpid(pid, 0)
        out.seek(0)
        log.seek(0)
        return os.waitstatus_to_exitcode(status), out.read().decode(errors="replace"), log.read().decode().splitlines()


def tried(asked: dict) -> dict:
    """One act with its fault, and what is left after it and after the next run."""
    folder = Path(asked["folder"])
    shutil.copytree(asked["from"], folder)
    act = fault_acts.ACTS[asked["act"]]
    code, said, met = in_child(lambda: act(folder), below=str(folder.parent), n=asked["n"], error=asked["error"])
    after = in_child(lambda: print(json.dumps(fault_acts.after(asked["act"], folder))))
    shutil.rmtree(folder.parent)
    found = {"code": code, "said": said, "met": met}
    try:
        return found | json.loads(after[1].splitlines()[-1])
    except (ValueError, IndexError):
        return found | {"after": after[1][-3000:], "after_code": after[0]}


for line in sys.stdin:
    print(json.dumps(tried(json.loads(line))), flush=True)
