"""Write the season as files people would drop: CSV, XLSX and UDDF under inbox/."""

import csv
import io
import re
import zipfile
from datetime import date, datetime
from pathlib import Path

from sample_data import uddf
from sample_data.rows import local_text
from sample_data.weather import local

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


def fills(inbox, rows, planted=True):
    """A file a month; June as a workbook; July with the bad rows."""
    months: dict[str, list] = {}
    for r in rows:
        months.setdefault(local(r["filled_s"]).strftime("%Y-%m"), []).append(r)
    for month, group in months.items():
        if month.endswith("-06"):
            sheet = [
                r
                | {
                    k.replace("_s", "_at"): local(r[k]).replace(tzinfo=None, second=0) if r[k] else None
                    for k in ("filled_s", "analysed_s", "settled_s")
                }
                for r in group
            ]
            to_xlsx(inbox / f"fills-{month}.xlsx", FILL_COLUMNS, sheet, "fills")
            continue
        style = "zone" if month.endswith(("-08", "-10")) else "plain"
        sheet = [
            r
            | {
                k.replace("_s", "_at"): local_text(r[k], style) if r[k] else None
                for k in ("filled_s", "analysed_s", "settled_s")
            }
            for r in group
        ]
        if planted and month.endswith("-07"):
            sheet = _spoil(sheet)
        to_csv(inbox / f"fills-{month}.csv", FILL_COLUMNS, sheet)


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


def _dive_row(d, style):
    m = d["member"]
    paper = m.form == "paper"
    return dict(
        dive_id=d["dive_id"],
        member_id=m.member_id,
        started_at=local_text(d["started_s"], style),
        mode="open_circuit" if not paper else "",
        surface_pressure_bar_abs=d["surface_bar"] if m.form == "csv" else None,
        water="salt",
        air_c=round(d["air_c"]),
        suit=m.suit,
        water_c=round(d["water_low"]) if paper else None,
        duration_min=round(d["minutes"]) if paper else None,
        mean_depth_m=round(d["mean_depth"], 1) if paper else None,
        max_depth_m=round(d["max_depth"], 1) if paper else None,
        team_size=2,
        overhead="false",
        mandatory_stops="true" if d["deep"] else "false",
        gas_shared="true" if d["shared"] else "false",
    )


def _tank_rows(d):
    out = []
    for k, t in enumerate(d["tanks"], 1):
        hand = d["member"].form in ("paper", "depths") or d["member"].hand_ends or not t["measured"]
        air = abs(t["o2"] - 0.2095) < 0.004
        out.append(
            dict(
                dive_id=d["dive_id"],
                tank_no=k,
                unit_id=t["unit_id"],
                role=t["role"],
                water_capacity_l=t["litres"],
                o2_pct=(0 if t["argon"] else 21 if air else round(t["o2"] * 100, 1)),
                he_pct=round(t["he"] * 100, 1) or None,
                ar_pct=100 if t["argon"] else None,
                start_pressure_bar=t["start_bar"] if hand else None,
                end_pressure_bar=t["end_bar"] if hand else None,
                second_gauge_end_bar=t["second_end"],
            )
        )
    return out


def _sample_rows(d):
    for t, depth, water, bars in d["samples"]:
        yield dict(
            dive_id=d["dive_id"],
            t_s=int(t),
            depth_m=round(depth, 1),
            water_c=water,
            **{f"tank_{k}_bar": b for k, b in enumerate(bars, 1)},
        )


def dives(inbox, logged, planted=True):
    """A folder a member: UDDF files or CSV files. Returns rows of links."""
    by_member: dict[str, list] = {}
    for d in logged:
        by_member.setdefault(d["member"].member_id, []).append(d)
    links = []
    for mid, group in by_member.items():
        m, folder = group[0]["member"], inbox / "dives" / mid
        if m.form.startswith("uddf"):
            links += _uddf_files(folder, m, group, planted)
            continue
        style = "zone" if m.form == "csv" else "plain"
        rows = [_dive_row(d, style) for d in group]
        if planted and mid == "M12" and len(rows) > 3:
            rows[2]["mode"] = rows[3]["mode"] = "closed_circuit"
        to_csv(folder / "dives.csv", DIVE_COLUMNS, rows)
        to_csv(folder / "dive_tanks.csv", TANK_COLUMNS, [t for d in group for t in _tank_rows(d)])
        if m.form != "paper":
            count = max(len(d["tanks"]) for d in group) if m.form == "csv" else 0
            columns = ["dive_id", "t_s", "depth_m", "water_c", *[f"tank_{k}_bar" for k in range(1, count + 1)]]
            for half, part in (
                ("spring", [d for d in group if local(d["started_s"]).month < 7]),
                ("autumn", [d for d in group if local(d["started_s"]).month >= 7]),
            ):
                if part:
                    to_csv(folder / f"dive_samples-{half}.csv", columns, (r for d in part for r in _sample_rows(d)))
    return links


def _uddf_files(folder, m, group, planted):
    folder.mkdir(parents=True, exist_ok=True)
    months: dict[str, list] = {}
    for d in group:
        if planted and m.member_id == "M07" and d["number"] == 15:
            d["in_bar"] = True
        months.setdefault(local(d["started_s"]).strftime("%Y-%m"), []).append(d)
    for month, part in months.items():
        (folder / f"{month}.uddf").write_text(uddf.write(m, part, m.form), encoding="utf-8", newline="")
    if planted and m.member_id == "M06":
        text = uddf.write(m, group[:3], m.form)
        (folder / "backup.uddf").write_text(text[: len(text) * 2 // 3], encoding="utf-8", newline="")
    if planted and m.member_id == "M02" and len(group) > 8:
        twin = dict(group[8])
        twin.update(dive_id="w2-009", started_s=twin["started_s"] + 50)
        twin["samples"] = [(t, depth + 0.2, water, bars) for t, depth, water, bars in twin["samples"]]
        to_csv(folder / "dives-second-computer.csv", DIVE_COLUMNS, [_dive_row(twin, "zone")])
        to_csv(folder / "dive_tanks-second-computer.csv", TANK_COLUMNS, [t for t in _tank_rows(twin)][:1])
        to_csv(
            folder / "dive_samples-second-computer.csv",
            ["dive_id", "t_s", "depth_m", "water_c", "tank_1_bar"],
            _sample_rows(twin),
        )
    units = {t["unit_id"] for d in group for t in d["tanks"]}
    return [dict(source_ref=f"owner-{m.member_id.lower()}", kind="member", target_id=m.member_id, member_id="")] + [
        dict(source_ref=f"tk-{u.lower()}", kind="cylinder", target_id=u, member_id=m.member_id) for u in sorted(units)
    ]


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
