"""Which settings differ from those of the last snapshot: a file that was cut or mistyped changes figures too."""

import json
from typing import Any

from schemas.snapshot import Manifest

MOST_SAID = 8


def settings_changes(previous: Manifest | None, facts: dict[str, Any]) -> list[str]:
    """Each setting that differs, as 'rule_set: us, now uk'; of the facts that a manifest keeps of its station."""
    if previous is None:
        return []
    before, now = _flat(previous.station), _flat(json.loads(json.dumps(facts, default=str)))
    now.pop("named", None)  # says of the file how it is written, and sets nothing
    # a setting that only one of two versions of the program knows has not been changed by anybody
    return [
        f"{name}: {before[name]}, now {now[name]}" for name in sorted(before.keys() & now) if before[name] != now[name]
    ]


def line(changes: list[str]) -> list[str]:
    """The same as a line for people; none without changes."""
    if not changes:
        return []
    more = f" and {len(changes) - MOST_SAID} more" if len(changes) > MOST_SAID else ""
    return [f"  Settings differ from those of the last snapshot: {'; '.join(changes[:MOST_SAID])}{more}"]


def _flat(facts: dict[str, Any], below: str = "") -> dict[str, Any]:
    found: dict[str, Any] = {}
    for name, value in facts.items():
        if isinstance(value, dict) and value:
            found |= _flat(value, f"{below}{name}.".removeprefix("policy."))
        else:
            found[below + name] = value
    return found
