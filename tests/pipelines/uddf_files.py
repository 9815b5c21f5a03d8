"""UDDF documents for tests, made of parts that can be changed one at a time."""

import re
from pathlib import Path

import pandas as pd

from pipelines.readers.raw import RawTable
from pipelines.readers.uddf.file import read_uddf
from pipelines.station.settings import FILE, load_station

LINK_COLUMNS = ["source_ref", "kind", "target_id", "member_id"]
TANK = '<tank id="t1"><name>twelve</name><aliasname>back</aliasname><tankvolume>0.012</tankvolume></tank>'
MIX = '<mix id="m32"><o2>0.32</o2><n2>0.68</n2><he>0.0</he></mix>'
TANKDATA = (
    '<tankdata><link ref="t1"/><link ref="m32"/><tankpressurebegin>2.1e7</tankpressurebegin>'
    "<tankpressureend>9.0e6</tankpressureend></tankdata>"
)
START = "<datetime>2031-05-20T10:00:00Z</datetime>"


def waypoint(t: object = 0, depth: object = 0, more: str = "") -> str:
    """A waypoint; `more` goes in after depth and time."""
    return f"<waypoint><depth>{depth}</depth><divetime>{t}</divetime>{more}</waypoint>"


SAMPLES = "".join(
    [
        waypoint(0, 0, "<temperature>283.15</temperature>"),
        waypoint(60, 12, '<tankpressure ref="t1">2.0e7</tankpressure>'),
        waypoint(120, 0, '<tankpressure ref="t1">1.9e7</tankpressure>'),
    ]
)


def dive(
    identifier: str = "d1",
    *,
    start: str = START,
    before: str = "",
    tanks: str = TANKDATA,
    samples: str = SAMPLES,
    after: str = "",
) -> str:
    """A dive of version 3."""
    inside = f"<samples>{samples}</samples>" if samples is not None else ""
    return (
        f'<dive id="{identifier}"><informationbeforedive>{start}{before}</informationbeforedive>{tanks}{inside}'
        f"<informationafterdive>{after}</informationafterdive></dive>"
    )


def document(
    *dives: str,
    owner: str = "M-03",
    tanks: str = TANK,
    gases: str = MIX,
    sites: str = "",
    root: str = "uddf",
    head: str = "",
    version: str = "3.2.1",
    space: str = "",
) -> str:
    """A whole document."""
    return (
        f'<?xml version="1.0" encoding="UTF-8"?>\n{head}<{root} version="{version}"{space}>\n'
        "<generator><name>test</name></generator>\n"
        f'<diver><owner id="{owner}"><equipment>{tanks}</equipment></owner></diver>\n<divesite>{sites}</divesite>\n'
        f'<gasdefinitions>{gases}</gasdefinitions>\n<profiledata><repetitiongroup id="g">\n'
        + "\n".join(dives)
        + f"\n</repetitiongroup></profiledata>\n</{root}>\n"
    )


class Read:
    """What came of a document: the tables by source, and every problem."""

    def __init__(self, tables: list[RawTable]):
        self.tables = tables
        self.refused = next((t.refused for t in tables if t.refused), None)
        self.problems = [p for t in tables for p in t.problems]
        self.rules = [p.rule for p in self.problems]
        self.notes = [n for t in tables for n in t.notes]
        for table in tables:
            assert table.rows_read == len(table.rows) + table.rows_rejected
            if not table.refused:
                assert sum(p.rows for p in table.problems if p.severity == "row") == table.rows_rejected

    def rows(self, source: str) -> pd.DataFrame:
        found = [t.rows for t in self.tables if t.source == source and len(t.rows)]
        return pd.concat(found, ignore_index=True) if found else pd.DataFrame()

    def counts(self, source: str) -> tuple[int, int, int]:
        mine = [t for t in self.tables if t.source == source]
        return sum(t.rows_read for t in mine), sum(len(t.rows) for t in mine), sum(t.rows_rejected for t in mine)


def read(
    folder: Path,
    content: str | bytes,
    *,
    members=("M-03",),
    links=(),
    settings: str = "",
    in_folder: str | None = None,
    units=(),
) -> Read:
    """Write a document and read it with a station of its own."""
    station = folder / "station"
    station.mkdir(exist_ok=True)
    (station / FILE).write_text(settings, encoding="utf-8")
    workplace = folder / "workplace"
    workplace.mkdir(exist_ok=True)
    for old in workplace.iterdir():
        old.unlink()
    path = folder / "log.uddf"
    path.write_bytes(content if isinstance(content, bytes) else content.encode("utf-8"))
    linked = pd.DataFrame([dict(zip(LINK_COLUMNS, row, strict=True)) for row in links], columns=LINK_COLUMNS).astype(
        "str"
    )
    return Read(list(read_uddf(path, load_station(station), linked, set(members), in_folder, workplace, set(units))))


def in_namespace(text: str, prefix: str = "") -> str:
    """The same document with every element in a namespace."""
    if not prefix:
        return text.replace('<uddf version="3.2.1"', '<uddf version="3.2.1" xmlns="urn:test:uddf"')
    text = re.sub(r"<(/?)(?=[a-z])", rf"<\1{prefix}:", text)
    return text.replace(
        f'<{prefix}:uddf version="3.2.1"', f'<{prefix}:uddf version="3.2.1" xmlns:{prefix}="urn:test:uddf"'
    )
