"""Write the season as files people would drop: CSV, XLSX and UDDF under inbox/."""

import csv
import io
import re
import zipfile
from dataclasses import replace
from datetime import date, datetime
from pathlib import Path

import numpy as np

from sample_data import uddf
from sample_data.rows import Logged, is_air, local_text, local_texts
from sample_data.weather import local, offsets_s

FIXED = (2026, 11, 1, 0, 0, 0)

FILL_COLUMNS = [
    "fill_id",
    "filled_at",
    "unit_id",
    "station_id",
    "operator",
    "source_id",
    "fill_method",
    "start_pressure_bar",
    "target_pressure_bar",
    "stop_pressure_bar",
    "second_stop_pressure_bar",
    "gauge_id",
    "ambient_c",
    "wall_c",
    "fill_minutes",
    "target_o2_pct",
    "target_he_pct",
    "target_ar_pct",
    "analysed_o2_pct",
    "analysed_he_pct",
    "second_analysed_o2_pct",
    "analysed_by",
    "analysed_at",
    "co_ppm",
    "settled_pressure_bar",
    "settled_c",
    "settled_at",
    "settled_gauge_id",
    "member_id",
]


def _cell(value):
    if value is None or value != value:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        return f"{value:.4f}".rstrip("0").rstrip(".")
    return str(value)


def to_csv(path, columns, rows, header=None):
    """A CSV file with these columns; rows are dicts."""
    text = io.StringIO()
    w = csv.writer(text, lineterminator="\n")
    w.writerow(header or columns)
    w.writerows([_cell(r.get(c)) for c in columns] for r in rows)
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text.getvalue(), encoding="utf-8", newline="")


def columns_to_csv(path, columns, append=False):
    """A CSV file from arrays by column name, written column by column; NaN and None are empty cells.

    Text that would need quotes is refused."""
    import pyarrow as pa
    from pyarrow import csv as arrow_csv

    arrays = []
    for values in columns.values():
        if values.dtype == float:
            values = np.round(values, 4) + 0.0  # no minus zero
            arrays.append(pa.array(values, mask=np.isnan(values)))
        else:
            arrays.append(pa.array(values, pa.string() if values.dtype == object else None))
    path.parent.mkdir(parents=True, exist_ok=True)
    options = arrow_csv.WriteOptions(include_header=False, quoting_style="none")
    with path.open("ab" if append else "wb") as file:
        if not append:
            file.write((",".join(columns) + "\n").encode())
        if arrays:
            arrow_csv.write_csv(pa.table(arrays, names=list(columns)), file, options)


def to_xlsx(path, columns, rows, sheet):
    """A workbook whose bytes depend on its content alone."""
    from openpyxl import Workbook

    book = Workbook()
    page = book.active
    page.title = sheet
    page.append(columns)
    for r in rows:
        page.append([r.get(c) if r.get(c) == r.get(c) else None for c in columns])
    for cells in page.iter_cols(min_row=2):
        for cell in cells:
            if isinstance(cell.value, datetime):
                cell.number_format = "yyyy-mm-dd hh:mm"
            elif isinstance(cell.value, date):
                cell.number_format = "yyyy-mm-dd"
    page.freeze_panes = "A2"
    book.properties.creator = "station office"
    book.properties.created = book.properties.modified = datetime(*FIXED)
    raw = io.BytesIO()
    book.save(raw)
    path.parent.mkdir(parents=True, exist_ok=True)
    with zipfile.ZipFile(raw) as old, zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as new:
        for name in sorted(old.namelist()):
            body = old.read(name)
            if name == "docProps/core.xml":  # saving stamps the clock
                body = re.sub(rb"(<dcterms:modified[^>]*>)[^<]*", rb"\g<1>2026-11-01T00:00:00Z", body)
            info = zipfile.ZipInfo(name, FIXED)
            info.compress_type = zipfile.ZIP_DEFLATED
            new.writestr(info, body)


TIMES = {"filled_s": "filled_at", "analysed_s": "analysed_at", "settled_s": "settled_at"}
MOST_IN_A_WORKBOOK = 2000
SPOILED = "2026-07"


def fills(inbox, columns, planted=True):
    """A file a month; a June that people would still keep in a workbook as one; the last July with the bad rows."""
    local_s = columns["filled_s"] + offsets_s(columns["filled_s"])
    months = local_s.astype("datetime64[s]").astype("datetime64[M]")
    for month in np.unique(months):
        chosen, name = np.flatnonzero(months == month), str(month)
        part = {k: v[chosen] for k, v in columns.items()}
        if name.endswith("-06") and chosen.size <= MOST_IN_A_WORKBOOK:
            for at in TIMES:
                part[at] = np.array(
                    [local(t).replace(tzinfo=None, second=0) if t else None for t in part[at].tolist()], object
                )
            to_xlsx(inbox / f"fills-{name}.xlsx", FILL_COLUMNS, _rows(part), "fills")
            continue
        style = "zone" if name.endswith(("-08", "-10")) else "plain"
        part |= {at: local_texts(part[at], style) for at in TIMES}
        path = inbox / f"fills-{name}.csv"
        if planted and name == SPOILED:
            to_csv(path, FILL_COLUMNS, _spoil(_rows(part)))
        else:
            columns_to_csv(path, {c: part[s] for c, s in zip(FILL_COLUMNS, part, strict=True)})


def _rows(columns):
    """A dict a row, by contract column, from arrays."""
    names = [TIMES.get(name, name) for name in columns]
    return [dict(zip(names, row, strict=True)) for row in zip(*(v.tolist() for v in columns.values()), strict=True)]


def _spoil(sheet):
    """Rows that intake has to refuse, beside good ones."""
    last = dict(sheet[-1])
    extra = [
        last
        | dict(fill_id="F9001", stop_pressure_bar=3300, settled_pressure_bar=None, settled_at=None, settled_c=None),
        last | dict(fill_id="F9002", unit_id="S12-9", settled_pressure_bar=None, settled_at=None, settled_c=None),
        last
        | dict(fill_id="F9003", stop_pressure_bar="full", settled_pressure_bar=None, settled_at=None, settled_c=None),
        last | dict(fill_id="F9004", stop_pressure_bar=228),
        last | dict(fill_id="F9004", stop_pressure_bar=218),
        last
        | dict(
            fill_id="F9005", filled_at="2062-07-03 18:20", settled_pressure_bar=None, settled_at=None, settled_c=None
        ),
        last | dict(fill_id="F9006", filled_at="", settled_pressure_bar=None, settled_at=None, settled_c=None),
        last | dict(fill_id="F9007", start_pressure_bar="-40"),
    ]
    middle = len(sheet) // 2
    return sheet[:middle] + extra[:3] + sheet[middle:] + extra[3:]


DIVE_COLUMNS = [
    "dive_id",
    "member_id",
    "started_at",
    "mode",
    "surface_pressure_bar_abs",
    "water",
    "air_c",
    "water_c",
    "duration_min",
    "mean_depth_m",
    "max_depth_m",
    "suit",
    "team_size",
    "overhead",
    "mandatory_stops",
    "gas_shared",
]
TANK_COLUMNS = [
    "dive_id",
    "tank_no",
    "unit_id",
    "role",
    "water_capacity_l",
    "o2_pct",
    "he_pct",
    "ar_pct",
    "start_pressure_bar",
    "end_pressure_bar",
    "second_gauge_end_bar",
]


def _dive_row(d: Logged, style):
    m = d.member
    paper = m.form == "paper"
    return dict(
        dive_id=d.dive_id,
        member_id=m.member_id,
        started_at=local_text(d.started_s, style),
        mode="open_circuit" if not paper else "",
        surface_pressure_bar_abs=d.surface_bar if m.form == "csv" else None,
        water=d.water,
        air_c=round(d.air_c),
        suit=m.suit,
        water_c=round(d.water_low) if paper else None,
        duration_min=round(d.minutes) if paper else None,
        mean_depth_m=round(d.mean_depth, 1) if paper else None,
        max_depth_m=round(d.max_depth, 1) if paper else None,
        team_size=d.team_size,
        overhead="false",
        mandatory_stops="true" if d.deep else "false",
        gas_shared="true" if d.shared else "false",
    )


def _tank_rows(d: Logged):
    out = []
    for k, t in enumerate(d.tanks, 1):
        hand = d.member.form in ("paper", "depths") or d.member.hand_ends or not t.measured
        out.append(
            dict(
                dive_id=d.dive_id,
                tank_no=k,
                unit_id=t.unit_id or None,
                role=t.role,
                water_capacity_l=t.litres,
                o2_pct=(0 if t.argon else 21 if is_air(t.o2) else round(t.o2 * 100, 1)),
                he_pct=round(t.he * 100, 1) or None,
                ar_pct=100 if t.argon else None,
                start_pressure_bar=t.start_bar if hand else None,
                end_pressure_bar=t.end_bar if hand else None,
                second_gauge_end_bar=t.second_end,
            )
        )
    return out


def _sample_columns(dives, tanks):
    """dive_samples of some dives as arrays, with pressures of so many tanks."""
    lengths = [d.t_s.size for d in dives]
    nothing = [np.full(n, np.nan) for n in lengths]
    out = dict(
        dive_id=np.repeat(np.array([d.dive_id for d in dives], object), lengths),
        t_s=np.concatenate([d.t_s for d in dives]).astype(np.int64),
        depth_m=np.round(np.concatenate([d.depth_m for d in dives]), 1),
        water_c=np.concatenate([d.water_c for d in dives]),
    )
    for k in range(tanks):
        bars = [d.bars[k] if k < len(d.bars) else none for d, none in zip(dives, nothing, strict=True)]
        out[f"tank_{k + 1}_bar"] = np.concatenate(bars)
    return out


KEPT_SAMPLES = 2_000_000  # waiting to be written


class _Csv:
    """One member's CSV files, written a block of dives at a time."""

    def __init__(self, folder, member, dives, tanks, planted):
        self.folder, self.member, self.planted = folder, member, planted
        self.dives, self.tanks = dives, tanks  # how many there will be; most tanks of one dive
        self.waiting: list[Logged] = []
        self.links: list[dict] = []
        self.begun: set[str] = set()

    def add(self, d):
        self.waiting.append(d)

    def write(self):
        if not self.waiting:
            return
        rows = [_dive_row(d, "zone" if self.member.form == "csv" else "plain") for d in self.waiting]
        for d, row in zip(self.waiting, rows, strict=True):
            if self.planted and self.member.member_id == "M12" and self.dives > 3 and d.number in (3, 4):
                row["mode"] = "closed_circuit"
        self._write("dives", _columns(DIVE_COLUMNS, rows))
        self._write("dive_tanks", _columns(TANK_COLUMNS, [t for d in self.waiting for t in _tank_rows(d)]))
        if self.member.form != "paper":
            spring = [local(d.started_s).month < 7 for d in self.waiting]
            for half, wanted in (("spring", True), ("autumn", False)):
                part = [d for d, s in zip(self.waiting, spring, strict=True) if s == wanted]
                if part:
                    tanks = self.tanks if self.member.form == "csv" else 0
                    self._write(f"dive_samples-{half}", _sample_columns(part, tanks))
        self.waiting = []

    close = write

    def _write(self, name, columns):
        columns_to_csv(self.folder / f"{name}.csv", columns, append=name in self.begun)
        self.begun.add(name)


def _columns(names, rows):
    """Arrays of cells as text, by column."""
    cells = {name: [_cell(r.get(name)) or None for r in rows] for name in names}
    return {name: np.array(values, object) for name, values in cells.items()}


class _Uddf:
    """One member's UDDF files: one a month, written when the month is over."""

    def __init__(self, folder, member, dives, _, planted):
        self.folder, self.member, self.planted = folder, member, planted
        self.dives = dives
        self.waiting: list[Logged] = []
        self.first: list[Logged] = []
        self.month = ""
        self.units: set[str] = set()
        folder.mkdir(parents=True, exist_ok=True)

    def add(self, d):
        mid, month = self.member.member_id, f"{local(d.started_s):%Y-%m}"
        if self.planted and mid == "M07" and d.number == 15:
            d.in_bar = True
        if month != self.month:
            self._month()
        self.month = month
        self.waiting.append(d)
        self.units |= {t.unit_id for t in d.tanks}
        if self.planted and mid == "M06" and d.number <= 3:
            self.first.append(d)
        if self.planted and mid == "M02" and d.number == 9:
            self._second_computer(d)

    def _month(self):
        if self.waiting:
            text = uddf.write(self.member, self.waiting, self.member.form)
            (self.folder / f"{self.month}.uddf").write_text(text, encoding="utf-8", newline="")
        self.waiting = []

    def write(self):
        """Nothing: a month stays whole."""

    def close(self):
        self._month()
        if self.first:
            text = uddf.write(self.member, self.first, self.member.form)
            (self.folder / "backup.uddf").write_text(text[: len(text) * 2 // 3], encoding="utf-8", newline="")

    def _second_computer(self, d):
        twin = replace(d, dive_id="w2-009", started_s=d.started_s + 50, depth_m=d.depth_m + 0.2)
        to_csv(self.folder / "dives-second-computer.csv", DIVE_COLUMNS, [_dive_row(twin, "zone")])
        to_csv(self.folder / "dive_tanks-second-computer.csv", TANK_COLUMNS, _tank_rows(twin)[:1])
        columns_to_csv(self.folder / "dive_samples-second-computer.csv", _sample_columns([twin], 1))

    @property
    def links(self):
        mid = self.member.member_id
        return [dict(source_ref=f"owner-{mid.lower()}", kind="member", target_id=mid, member_id="")] + [
            dict(source_ref=f"tk-{u.lower()}", kind="cylinder", target_id=u, member_id=mid) for u in sorted(self.units)
        ]


def dives(inbox, season, logged, planted=True):
    """A folder a member: UDDF files or CSV files. Returns counts of dives and samples, and rows of links."""
    count = np.bincount(season.dives["member"], minlength=len(season.people))
    most = np.zeros(len(season.people), int)
    np.maximum.at(most, season.dives["member"], (season.dives["units"] >= 0).sum(axis=1))
    writers: dict[str, _Csv | _Uddf] = {}
    made = samples = waiting = 0
    for d in logged:
        mid = d.member.member_id
        if mid not in writers:
            kind, k = _Uddf if d.member.form.startswith("uddf") else _Csv, season.member_no[mid]
            writers[mid] = kind(inbox / "dives" / mid, d.member, int(count[k]), int(most[k]), planted)
        writers[mid].add(d)
        made, samples, waiting = made + 1, samples + d.t_s.size, waiting + d.t_s.size
        if waiting > KEPT_SAMPLES:
            for w in writers.values():
                w.write()
            waiting = 0
    for w in writers.values():
        w.close()
    return made, samples, [link for w in writers.values() for link in w.links]


def lake_dives(inbox, logged):
    """The trip to the lake, as files beside the member's others."""
    if logged:
        folder = inbox / "dives" / logged[0].member.member_id
        to_csv(folder / "dives-lake.csv", DIVE_COLUMNS, [_dive_row(d, "zone") for d in logged])
        to_csv(folder / "dive_tanks-lake.csv", TANK_COLUMNS, [t for d in logged for t in _tank_rows(d)])
        columns_to_csv(folder / "dive_samples-lake.csv", _sample_columns(logged, 1))


def empty_folder(path: Path):
    """Remove what an earlier run left in a folder this program fills."""
    for old in sorted(path.rglob("*"), reverse=True) if path.exists() else []:
        old.unlink() if old.is_file() else old.rmdir()


LOG_HEADERS = {
    "compressor_id": "Machine",
    "read": "Day",
    "clock": "Clock",
    "hours": "Counter",
    "event": "What",
    "ambient_f": "Room F",
    "outlet_f": "Outlet F",
    "from_psi": "From psi",
    "to_psi": "To psi",
    "pumped_volume_l": "Into l",
    "pumped_minutes": "Minutes",
}
LOG_WORDS = {"reading": "weekly", "filter_change": "new filter", "oil_change": "new oil", "service": "service"}


def compressor_log(inbox, log):
    """The pump house keeps its own headers, psi and °F; station.toml maps them."""
    out = []
    for r in sorted(log, key=lambda r: (r["read_s"], r["compressor_id"], r["event"])):
        t = local(r["read_s"])

        def psi(name, r=r):
            return None if r.get(name) is None else round(r[name] / 0.0689475729)

        def fahrenheit(name, r=r):
            return None if r.get(name) is None else round(r[name] * 1.8 + 32)

        out.append(
            dict(
                compressor_id=r["compressor_id"],
                read=t.strftime("%d/%m/%Y"),
                clock=t.strftime("%H:%M"),
                hours=round(r["hours"], 1),
                event=LOG_WORDS[r["event"]],
                ambient_f=fahrenheit("ambient_c"),
                outlet_f=fahrenheit("outlet_c"),
                from_psi=psi("pumped_from_bar"),
                to_psi=psi("pumped_to_bar"),
                pumped_volume_l=r.get("pumped_volume_l"),
                pumped_minutes=None if r.get("pumped_minutes") is None else round(r["pumped_minutes"], 1),
            )
        )
    to_csv(inbox / "pump-house-2026.csv", list(LOG_HEADERS), out, list(LOG_HEADERS.values()))
