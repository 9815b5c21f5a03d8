"""How fast UDDF is read against a bare parse of the same file, and that memory does not grow with the file.

Both times are of the processor, so that a busy machine changes little. The bare parse walks all elements
and frees them, as any reader that streams must.
"""

import os
import subprocess
import sys
import time

import pandas as pd
import pytest
from lxml import etree

from pipelines.readers.uddf.file import read_uddf
from pipelines.readers.uddf.walk import SAFE
from pipelines.station.settings import load_station, write_station
from tests.pipelines.uddf_files import LINK_COLUMNS, dive, document, waypoint

pytestmark = pytest.mark.once

MOST_TIMES_BARE = 3.5
FULL = os.environ.get("COLDFILL_SOAK") == "full"


def large(path, dives: int, waypoints: int):
    samples = "\n".join(
        waypoint(
            t,
            10 + t % 100 / 10,
            f'<temperature>281.4</temperature><tankpressure ref="t1">{2.1e7 - 100 * t}</tankpressure>',
        )
        for t in range(waypoints)
    )
    text = document(
        *[
            dive(
                f"d{n}",
                start=f"<datetime>2031-{n // 600 + 1:02d}-{n % 600 // 24 + 1:02d}T{n % 24:02d}:00Z</datetime>",
                samples=samples,
            )
            for n in range(dives)
        ]
    )
    path.write_text(text, encoding="utf-8")
    return path


def read_all(path, station, workplace) -> int:
    workplace.mkdir(exist_ok=True)
    links = pd.DataFrame(columns=LINK_COLUMNS, dtype="str")
    return sum(
        len(t.rows) for t in read_uddf(path, station, links, {"M-03"}, None, workplace) if t.source == "dive_samples"
    )


def bare(path) -> None:
    for _, element in etree.iterparse(str(path), events=("end",), **SAFE):
        element.clear()
        while element.getprevious() is not None:
            del element.getparent()[0]


@pytest.mark.parametrize("files", [1, 50 if FULL else 4])
def test_uddf_is_read_within_a_few_times_a_bare_parse(tmp_path, measured, files):
    write_station(tmp_path / "station")
    station = load_station(tmp_path / "station")
    dives, waypoints = (300 // files, 3400) if FULL else (24 // files, 2000)
    paths = [large(tmp_path / f"{n}.uddf", dives, waypoints) for n in range(files)]
    read_all(large(tmp_path / "first.uddf", 1, 9), station, tmp_path / "first")  # what is imported and kept once
    bare_s = ours_s = 0.0
    rows = 0
    for path in paths:  # in turns, so that what else runs here slows both
        began = time.process_time()
        bare(path)
        between = time.process_time()
        rows += read_all(path, station, tmp_path / "work")
        bare_s, ours_s = bare_s + between - began, ours_s + time.process_time() - between
    assert rows == files * dives * waypoints
    size = sum(p.stat().st_size for p in paths) / 1e6
    work = f"UDDF of {size:.0f} MB in {files} file(s), {rows} waypoints, typed"
    measured(work, ours_s, "lxml: the same elements", bare_s, "1.5")
    assert ours_s < MOST_TIMES_BARE * bare_s


_PEAK = """
import resource, sys, tempfile
from pathlib import Path
from pipelines.station.settings import load_station
from tests.bench.test_uddf_rate import read_all
read_all(Path(sys.argv[1]), load_station(sys.argv[2]), Path(tempfile.mkdtemp()))
print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)
"""


@pytest.mark.skipif(sys.platform == "win32", reason="the peak of memory is asked of POSIX")
def test_memory_does_not_grow_with_the_file(tmp_path, monkeypatch):
    write_station(tmp_path / "station")

    def peak_mb(dives: int) -> float:
        path = large(tmp_path / f"{dives}.uddf", dives, 2000)
        done = subprocess.run(
            [sys.executable, "-c", _PEAK, str(path), str(tmp_path / "station")],
            capture_output=True,
            text=True,
            check=True,
        )
        return int(done.stdout) / (1024 if sys.platform != "darwin" else 1 << 20)

    # past one part of samples the peak stands still: the larger file is twice the smaller, 60 MB against 30
    assert peak_mb(400 if FULL else 200) - peak_mb(120) < 25
