"""The data dictionary, written from the declarations: `python -m schemas.dictionary` renews DICTIONARY.md."""

import dataclasses
from pathlib import Path

from schemas.codes import all_codes
from schemas.fields import Field
from schemas.policy import SECTIONS
from schemas.sources import SOURCES
from schemas.tables import TABLES

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
            lines += [f"### {table.name}", "", table.says, "", *_table(table.fields.values(), frozenset())]
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
    lines += ["## Codes", "", "| code | in words | what to do |", "|---|---|---|"]
    lines += [
        f"| {c.code} | {_plain(c.says)} | {_plain(c.mend)} |"
        for c in sorted(all_codes().values(), key=lambda c: c.code)
    ]
    return "\n".join(lines) + "\n"


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
