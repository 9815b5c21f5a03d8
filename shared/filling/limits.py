"""Whether a unit may be filled at all, and the limits that a rule set puts on its filling.

Advice only: the marks on the cylinder, local law, the inspector and the person at the valve decide. Limits come
as cited data from `rules/filling_*.toml`; a local rule set is added as one more file.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from shared.rules.reading import RULES, Citation, RuleError, citation, read_rules


@dataclass(frozen=True)
class Developed:
    """The pressure a content develops at a temperature is at most a multiple of a marked pressure."""

    temperature_c: float
    of: str
    factor: float
    citation: Citation


@dataclass(frozen=True)
class FillingRules:
    """Limits of filling under one rule set."""

    name: str
    reference_c: float
    oxygen_limit_pct: float
    developed: tuple[Developed, ...]
    settled_citation: Citation
    oxygen_citation: Citation


def load_filling_rules(path: Path) -> dict[str, FillingRules]:
    """Read one rule file: its rules under each code it names.

    Raises
    ------
    RuleError
        A missing number or citation, or a limit of a pressure that no cylinder is marked with.
    """
    needed = {
        "": ("codes", "name"),
        "settled": ("reference_c",),
        "developed": ("temperature_c", "of", "factor"),
        "oxygen": ("limit_pct",),
    }
    read = read_rules(path, needed)
    for table in ("settled", "oxygen"):
        if table not in read:
            raise RuleError(f"{path.name}: table [{table}] is missing.")
    for entry in read.get("developed", []):
        if entry["of"] not in ("test_pressure", "working_pressure"):
            raise RuleError(f"{path.name}, line {entry['_line']}: `of` is test_pressure or working_pressure.")
    rules = FillingRules(
        read["name"],
        float(read["settled"]["reference_c"]),
        float(read["oxygen"]["limit_pct"]),
        tuple(
            Developed(float(e["temperature_c"]), e["of"], float(e["factor"]), citation(e))
            for e in read.get("developed", [])
        ),
        citation(read["settled"]),
        citation(read["oxygen"]),
    )
    return dict.fromkeys(read["codes"], rules)


@cache
def _all_rules() -> dict[str, FillingRules]:
    found: dict[str, FillingRules] = {}
    for path in sorted(RULES.glob("filling_*.toml")):
        found.update(load_filling_rules(path))
    return found


def rule_set_codes() -> tuple[str, ...]:
    """Codes of all rule sets that have filling limits, in order."""
    return tuple(sorted(_all_rules()))


def filling_rules(rule_set: str) -> FillingRules:
    """Filling limits of a rule set by its code.

    Raises
    ------
    RuleError
        No rule file names the code: limits of another country are not taken for it in silence.
    """
    rules = _all_rules()
    if rule_set not in rules:
        raise RuleError(
            f"Rule set {rule_set!r} has no filling limits: write shared/rules/filling_{rule_set}.toml, or add "
            f"{rule_set!r} to `codes` of the file whose limits hold there. There are {', '.join(sorted(rules))}."
        )
    return rules[rule_set]


def refusals(
    inspection_states: Sequence[str],
    *,
    withdrawn: bool = False,
    open_findings: bool = False,
    arrival_bar: float | None = None,
    least_arrival_bar: float = 2.0,
    oxygen_service_needed: bool = False,
    oxygen_clean: bool = False,
    air_state: str = "",
) -> list[str]:
    """Why a unit may not be filled today, as codes, worst first; an empty list: nothing stands against it.

    Parameters
    ----------
    inspection_states : sequence of str
        State of each of the unit's cylinders today (`in_date`, `due_soon`, `out_of_date`, `condemned`, `unknown`); none
        at all counts as unknown.
    withdrawn, open_findings : bool
        A cylinder is withdrawn, or a finding or failed inspection is still open.
    arrival_bar : float, optional
        What it reads now; None when not typed yet.
    oxygen_service_needed, oxygen_clean : bool
        For the gas that is to be filled, and today.
    air_state : str
        Of the source's last air test.
    """
    states = list(inspection_states) or ["unknown"]
    found = []
    if "condemned" in states:
        found.append("fill_condemned")
    if withdrawn:
        found.append("fill_withdrawn")
    if "unknown" in states:
        found.append("fill_test_unknown")
    if "out_of_date" in states:
        found.append("fill_out_of_test")
    if open_findings:
        found.append("fill_finding_open")
    if arrival_bar is not None and arrival_bar < least_arrival_bar:
        found.append("fill_arrived_empty")
    if oxygen_service_needed and not oxygen_clean:
        found.append("fill_not_oxygen_clean")
    if air_state == "failed":
        found.append("fill_air_failed")
    return found
