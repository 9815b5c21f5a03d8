"""A row's key as one text: its parts joined, the same for people, files and queries."""

from schemas.sources import SOURCES

#: between the parts of a key
BETWEEN = " · "


def key_text(source: str, alias: str = "") -> str:
    """The SQL expression for the key of a stored row; parts that are empty at its end are left out."""
    fields, of = SOURCES[source].fields, f"{alias}." if alias else ""
    parts = []
    for name in SOURCES[source].key:
        column = f'{of}"{name}"'
        text = {
            "time": f"replace(CAST({column} AS VARCHAR), '+00', 'Z')",
            "date": f"strftime({column}, '%Y-%m-%d')",
        }.get(fields[name].kind, f"CAST({column} AS VARCHAR)")
        parts.append(f"coalesce({text}, '')")
    if len(parts) == 1:
        return parts[0]
    return f"regexp_replace(concat_ws('{BETWEEN}', {', '.join(parts)}), '( · )+$', '')"
