"""The data dictionary, written from the declarations: `python -m schemas.dictionary` renews DICTIONARY.md."""

import dataclasses
from pathlib import Path

from schemas.codes import all_codes
from schemas.fields import Field
from schemas.policy import SECTIONS
from schemas.sources import SOURCES
from schemas.tables import TABLES, Table

PLACE = Path(__file__).parent / "DICTIONARY.md"
_KINDS = {
    "text": "text",
    "choice": "choice",
    "float": "number",
    "int": "whole number",
    "bool": "true/false",
    "time": "time, UTC",
    "date": "date",
    "codes": "codes",
    "ids": "list of IDs",
    "json": "nested",
}


def dictionary() -> str:
    """The whole dictionary as Markdown."""
    lines = [
        "# Data dictionary",
        "",
        "Written from the declarations in `schemas/` by `python -m schemas.dictionary`; a test keeps it true. "
        "`*` marks a\nrequired column. `_bar` is gauge pressure unless the name says `_bar_abs`; "
        "free litres are at 1 bar and 15 °C.",
        "",
        *_questions(),
        "## Inputs",
        "",
    ]
    for source in SOURCES.values():
        key = ", ".join(source.key)
        lines += [f"### {source.name}", "", f"{source.says} A row is known by {key}.", ""]
        lines += _table(source.fields.values(), source.required)
    lines += ["## Published tables", ""]
    for table in TABLES.values():
        if not table.internal:
            lines += [f"### {table.name}", "", f"{table.says} A row is known by {', '.join(table.key)}.", ""]
            lines += _joins(table)
            lines += _table(table.fields.values(), frozenset())
    lines += ["## Working tables", "", "Kept in a snapshot for later steps; their columns may change at any time."]
    lines += ["", *(f"- `{t.name}`: {t.says}" for t in TABLES.values() if t.internal), ""]
    lines += ["## Settings of station.toml", ""]
    for name, section in SECTIONS.items():
        lines += [
            f"### policy.{name}",
            "",
            (section.__doc__ or "").strip(),
            "",
            "| setting | default | meaning |",
            "|---|---|---|",
        ]
        for setting in dataclasses.fields(section):
            default = "" if setting.default is None else setting.default
            lines.append(f"| {setting.name} | {_plain(str(default))} | {_plain(setting.metadata['says'])} |")
        lines.append("")
    lines += ["## Codes", "", "| code | severity | in words | what to do |", "|---|---|---|---|"]
    lines += [
        f"| {c.code} | {c.severity or 'row or value'} | {_plain(c.says)} | {_plain(c.fix)} |"
        for c in sorted(all_codes().values(), key=lambda c: c.code)
    ]
    return "\n".join(lines) + "\n"


QUESTIONS = {
    "What may I fill and hand over today? (fill-station operator)": """
SELECT f.unit_id, f.filled_at, f.stop_pressure_bar, f.settled_pressure_bar_15c, f.handed_over_verdict, f.reasons
FROM fill_quality f WHERE f.on_hold OR f.handed_over_verdict = 'stop' ORDER BY f.filled_at DESC""",
    "Which cylinders go to inspection next, and who holds them? (dive manager)": """
SELECT h.cylinder_id, h.held_by, h.inspection_state, h.next_due_kind, h.next_due_on, p.visit_on
FROM cylinder_health h LEFT JOIN inspection_plan p USING (cylinder_id) ORDER BY h.next_due_on""",
    "Whose reserves run thin, and what for? (dive manager)": """
SELECT p.display_name, w.state, w.chance_next_below, w.dives_below_policy, w.main_cause
FROM reserve_watch w JOIN people p USING (member_id) ORDER BY w.chance_next_below DESC""",
    "What did I breathe, from which fill, and what was left? (diver)": """
SELECT c.started_at, c.rmv_l_min, c.rmv_low_l_min, c.rmv_high_l_min, q.settled_pressure_bar_15c, r.surfaced_bar
FROM dive_consumption c LEFT JOIN fill_quality q USING (fill_id)
LEFT JOIN dive_reserve r ON (r.member_id, r.dive_id) = (c.member_id, c.dive_id)
ORDER BY c.member_id, c.started_at""",
}
"""First questions of each user, as queries; a test runs each on the sample."""


def _questions() -> list[str]:
    lines = ["## First questions", "", "```python", "from schemas.analysis import open_station"]
    lines += ['station = open_station("path/of/the/station")', 'station.table("fill_quality")', "```", ""]
    lines += ["`station.query(sql)` answers these, and others like them. Every Parquet part holds its key and units."]
    for question, sql in QUESTIONS.items():
        lines += ["", question, "", "```sql", sql.strip(), "```"]
    return [*lines, ""]


def _joins(table: Table) -> list[str]:
    """Which columns of a table are the whole key of another."""
    published = [t for t in TABLES.values() if not t.internal and t.name != table.name]
    found = [
        f"{', '.join(t.key)} → {t.name}"
        for t in published
        if (t.key != table.key and set(t.key) <= set(table.fields)) or (t.key == table.key and len(t.key) > 0)
    ]
    return [f"Joins: {'; '.join(found)}.", ""] if found else []


def _table(fields, required: frozenset[str]) -> list[str]:
    rows = ["| column | kind | unit | bounds | meaning |", "|---|---|---|---|---|"]
    rows += [
        f"| {f.name}{'*' if f.name in required else ''} | {_KINDS[f.kind]} | {_plain(f.unit)} | {_bounds(f)} "
        f"| {_plain(f.says)} |"
        for f in fields
    ]
    return [*rows, ""]


def _bounds(field: Field) -> str:
    if field.choices:
        return ", ".join(f"`{c}`" for c in field.choices)
    if field.low is None and field.high is None:
        return ""
    return f"{'' if field.low is None else f'{field.low:g}'} … {'' if field.high is None else f'{field.high:g}'}"


def _plain(text: str) -> str:
    return text.replace("|", "\\|").replace("\n", " ")


if __name__ == "__main__":
    PLACE.write_text(dictionary(), encoding="utf-8")
    print(f"Wrote {PLACE.name}")
