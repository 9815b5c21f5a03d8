"""The inspection rules of each country as cited data: rules/inspection_*.toml, read and checked."""

from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from shared.rules.reading import RULES, Citation, RuleError, citation, read_rules

KINDS = ("visual", "hydrostatic", "eddy_current", "ultrasonic", "oxygen_clean", "valve_service")
START_FIELDS = ("manufactured_on", "first_used_on")


@dataclass(frozen=True)
class Period:
    """One kind of inspection, how often, and for which cylinders."""

    kind: str
    months: int
    counts_from: tuple[str, ...]
    start: str
    materials: tuple[str, ...]
    alloys: tuple[str, ...]
    regimes: tuple[str, ...]
    without_regimes: tuple[str, ...]
    first_months: int
    citation: Citation


@dataclass(frozen=True)
class RuleSet:
    """The inspection rules of one country, each with its source."""

    code: str
    name: str
    regimes: tuple[str, ...]
    periods: tuple[Period, ...]
    barred: tuple[tuple[tuple[str, ...], np.datetime64, Citation], ...] = ()
    permanent_expansion_over_pct: float | None = None
    rejection: Citation | None = None

    @property
    def default_is_verified(self) -> bool:
        """True where everything that applies without a regime was read or restated, not remembered."""
        return all(p.citation.is_verified for p in self.periods if not p.regimes)


def load_rule_set(path: Path) -> RuleSet:
    """Read one rule file.

    Raises
    ------
    RuleError
        Missing source, edition, mark or period, an unknown kind; the text names file and line.
    """
    rules = read_rules(
        path,
        {
            "": ("code", "name", "periods"),
            "periods": ("kind", "months", "counts_from", "start"),
            "barred": ("alloys", "from_on"),
            "rejection": ("permanent_expansion_over_pct",),
        },
    )
    return RuleSet(
        code=rules["code"],
        name=rules["name"],
        regimes=tuple(rules.get("regimes", ())),
        periods=tuple(_period(path, entry, rules) for entry in rules["periods"]),
        barred=tuple(
            (tuple(e["alloys"]), np.datetime64(e["from_on"], "D"), citation(e)) for e in rules.get("barred", ())
        ),
        permanent_expansion_over_pct=rules.get("rejection", {}).get("permanent_expansion_over_pct"),
        rejection=citation(rules["rejection"]) if "rejection" in rules else None,
    )


def _period(path: Path, entry: dict[str, Any], rules: dict[str, Any]) -> Period:
    where = f"{path.name}, line {entry['_line']}"
    words = {"kind": (entry["kind"],), "counts_from": entry["counts_from"]}
    for key, found in words.items():
        for kind in found:
            if kind not in KINDS:
                raise RuleError(f"{where}: `{key}` {kind!r} is none of {', '.join(KINDS)}.")
    if entry["start"] not in START_FIELDS:
        raise RuleError(f"{where}: `start` is one of {', '.join(START_FIELDS)}.")
    if not (isinstance(entry["months"], int) and entry["months"] > 0):
        raise RuleError(f"{where}: `months` is a whole number above 0.")
    for regime in (*entry.get("regimes", ()), *entry.get("without_regimes", ())):
        if regime not in rules.get("regimes", ()):
            raise RuleError(f"{where}: regime {regime!r} is not in the file's list of regimes.")
    if not citation(entry).is_verified and not entry.get("regimes"):
        raise RuleError(f"{where}: an entry from memory may not apply by default; give it a regime.")
    return Period(
        kind=entry["kind"],
        months=entry["months"],
        counts_from=tuple(entry["counts_from"]),
        start=entry["start"],
        materials=tuple(entry.get("materials", ())),
        alloys=tuple(entry.get("alloys", ())),
        regimes=tuple(entry.get("regimes", ())),
        without_regimes=tuple(entry.get("without_regimes", ())),
        first_months=entry.get("first_months", entry["months"]),
        citation=citation(entry),
    )


@cache
def rule_sets() -> dict[str, RuleSet]:
    """Every shipped rule set by its code."""
    found = [load_rule_set(path) for path in sorted(RULES.glob("inspection_*.toml"))]
    return {rules.code: rules for rules in found}
