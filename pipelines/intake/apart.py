"""A large file is read in a process of its own with limits of memory and time, so that none exhausts a run.

What a small file can cost is bounded by its size; starting a process for each would cost more than reading it.
"""

import contextlib
import os
import pickle
import signal
import subprocess
import sys
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from pipelines.intake.read_job import Job, load_reader, read_job
from pipelines.readers.raw import Problem, RawTable
from pipelines.readers.tables.sheet import Refused, refused

#: bytes from which a file is read apart, by its ending: of text, of markup, of a workbook packed and unpacked.
#: What lies below costs the run itself at most about 0.7 GB, whatever it holds (measured)
LARGE_TEXT, LARGE_MARKUP, LARGE_PACKED, LARGE_UNPACKED = 16 << 20, 12 << 20, 3 << 20, 48 << 20
#: how many times its size a workbook's rows unpack to
USUAL_RATIO = 12
_BOOKS = (".xlsx", ".xlsm")
_TABLES, _JOB = "tables.pickle", "job.pickle"
#: how the system ends it for its time, and for want of memory
_NO_TIME = -int(getattr(signal, "SIGXCPU", 24))
_KILLED = {-int(getattr(signal, name, 0)) for name in ("SIGKILL", "SIGSEGV", "SIGABRT", "SIGBUS")} - {0}
#: how its process ends without memory, or with an error of the system, whose number is added
_NO_MEMORY, _OS_ERROR = 75, 100


@dataclass(frozen=True)
class Limits:
    """What reading one file may cost: bytes of memory, seconds of computing, bytes of one file written."""

    memory: int
    seconds: int
    written: int = 16 << 30


def limits_for(weight: int) -> Limits:
    """Six tenths of this machine's memory; two minutes, and three seconds more for each megabyte, up to an hour."""
    try:
        memory = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES")
    except (AttributeError, ValueError, OSError):
        memory = 8 << 30
    return Limits(max(memory * 6 // 10, 1 << 30), min(120 + 3 * (weight >> 20), 3600))


def weight_of(path: Path, ending: str) -> int:
    """Bytes of what is to be read; of a workbook what its parts say they unpack to, or most likely do."""
    size = path.stat().st_size
    if ending not in _BOOKS:
        return size
    if size > LARGE_PACKED:  # even its list of parts may be built to do harm
        return size * USUAL_RATIO
    try:
        with zipfile.ZipFile(path) as archive:
            return sum(entry.file_size for entry in archive.infolist())
    except (zipfile.BadZipFile, OSError, ValueError, NotImplementedError):
        return size


def is_large(path: Path, ending: str) -> bool:
    """Whether reading this file may cost much."""
    if ending in _BOOKS and path.stat().st_size > LARGE_PACKED:
        return True
    least = LARGE_UNPACKED if ending in _BOOKS else LARGE_MARKUP if ending == ".uddf" else LARGE_TEXT
    return weight_of(path, ending) > least


def read_apart(job: Job, limits: Limits) -> Iterator[RawTable]:
    """Read a file in a process of its own; it has been read to its end before the first table comes.

    Raises
    ------
    Refused
        The reader refused it, or it took more than the limits allow.
    OSError, RuntimeError
        The system or the reader failed, as it would have here.
    """
    tables = job.workplace / _TABLES
    (job.workplace / _JOB).write_bytes(pickle.dumps((job, limits)))
    command = [sys.executable, "-c", f"from {__name__} import main; main()", str(job.workplace)]
    environment = os.environ | {"PYTHONPATH": os.pathsep.join(p for p in sys.path if p)}
    child = subprocess.Popen(command, env=environment, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL)
    try:
        code = child.wait(timeout=4 * limits.seconds)
    except subprocess.TimeoutExpired:
        code = _NO_TIME
    finally:
        if child.poll() is None:
            child.kill()
            child.wait()
    if code == _NO_TIME:
        raise refused("too_costly", limit=f"{limits.seconds} seconds of computing")
    if code == _NO_MEMORY or code in _KILLED:
        raise refused("too_costly", limit=f"{limits.memory >> 20} MB of memory")
    if _OS_ERROR <= code < _OS_ERROR + 100:
        raise OSError(code - _OS_ERROR, os.strerror(code - _OS_ERROR))
    if code:
        raise RuntimeError(f"the reader ended with {code}")
    with open(tables, "rb") as held:
        while (made := pickle.load(held)) is not None:
            if isinstance(made, Problem):
                raise Refused(made)
            if isinstance(made, str):
                raise RuntimeError(made)
            yield made


def main() -> None:
    """What the process does: the job from its workplace, and each table back into it."""
    workplace = Path(sys.argv[-1])
    job, limits = pickle.loads((workplace / _JOB).read_bytes())
    load_reader(job)
    _hold_to(limits)
    try:
        with open(workplace / _TABLES, "wb") as held:
            try:
                for table in read_job(job):
                    pickle.dump(table, held, protocol=5)
            except Refused as why:
                pickle.dump(why.problem, held)
            except (MemoryError, OSError):
                raise
            except Exception as error:
                pickle.dump(f"{type(error).__name__}: {error}"[:300], held)
            pickle.dump(None, held)
    except MemoryError:
        os._exit(_NO_MEMORY)
    except OSError as error:  # a full disk is no fault of the file
        os._exit(_OS_ERROR + min(error.errno or 0, 99))


def _hold_to(limits: Limits) -> None:
    with contextlib.suppress(ImportError):  # a system without such limits
        import resource

        resource.setrlimit(resource.RLIMIT_DATA, (limits.memory, limits.memory))
        resource.setrlimit(resource.RLIMIT_CPU, (limits.seconds, limits.seconds + 5))
        resource.setrlimit(resource.RLIMIT_FSIZE, (limits.written, limits.written))
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
