"""How one cylinder or set stands today, gathered from the published tables for pages and reports.

Pure: frames in, a `FillClearance` out. It judges nothing new; it puts side by side what the pipeline found for
the cylinders of a unit, the worst first.
"""

from dataclasses import dataclass, field
from typing import Any

import pandas as pd

from schemas import holds, words
from schemas.codes import codes_that, sentence

#: one row of a published table
Row = Any
LOOK_FIRST = codes_that(lambda c: c.look_first)
"""To be looked at before filling, though nothing forbids it."""
OPEN_FINDINGS = codes_that(lambda c: c.open_finding)


@dataclass(frozen=True)
class FillClearance:
    """The answer for one typed name; `why_not` empty means that nothing published speaks against filling it."""

    asked: str
    unit_id: str | None
    why_not: list[str] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)
    unit: Row = None
    cylinders: pd.DataFrame = field(default_factory=pd.DataFrame)
    #: the fills whose gas it holds, newest first; more than one where a set was joined anew
    inside: pd.DataFrame = field(default_factory=pd.DataFrame)
    #: compressors and banks whose air stands failed today
    failed_sources: pd.DataFrame = field(default_factory=pd.DataFrame)
    #: whether all of it is oxygen clean today; None where that is not known
    oxygen_clean: bool | None = None
    #: what is filled as one: the unit asked for, or the joined set it is a side of
    whole: str | None = None
    #: whether that is a joined set of which one side alone is registered
    one_side: bool = False

    @property
    def may_be_filled(self) -> bool:
        return self.unit_id is not None and not self.why_not

    @property
    def last_fill(self) -> Row | None:
        """The newest of the fills whose gas it holds."""
        return self.inside.iloc[0] if len(self.inside) else None

    @property
    def held(self) -> list[Row]:
        """Fills inside that are not to be handed over."""
        return [row for row in self.inside.to_dict("records") if holds.held(row)]

    @property
    def look_first(self) -> list[tuple[str, dict]]:
        """What is to be looked at before the next fill: codes, each with the row of its cylinder."""
        return [
            (code, row._asdict())
            for row in self.cylinders.itertuples()
            for code in words.listed(row.score_reasons)
            if code in LOOK_FIRST
        ]

    @property
    def open_findings(self) -> list[str]:
        """Findings that nobody has closed: while one stands nothing is advised."""
        return [code for code, _ in self.look_first if code in OPEN_FINDINGS]

    @property
    def next_due(self) -> Row:
        """The cylinder whose inspection is due first; None where of one of them that is not known."""
        if self.cylinders.empty or self.one_side or self.cylinders["next_due_on"].isna().any():
            return None
        return self.cylinders.sort_values("next_due_on").iloc[0]


def fillable_units(units: pd.DataFrame) -> list[str]:
    """What is filled as one: sets that are joined, and cylinders that are in none; in order of name."""
    joined = units["joined"].fillna(False).astype(bool)
    inside = units["set_id"].notna() & joined & (units["unit_id"] != units["set_id"])
    return sorted(units.loc[~inside, "unit_id"].dropna().unique(), key=_natural)


def _natural(name: str) -> list:
    import re

    return [(0, int(p), "") if p.isdigit() else (1, 0, p.casefold()) for p in re.split(r"(\d+)", name) if p]


def find(asked: str, units: pd.DataFrame) -> str | None:
    """The unit a typed name means, whatever its capitals and spaces."""
    wanted = "".join(asked.split()).casefold()
    for name in units["unit_id"].dropna():
        if "".join(name.split()).casefold() == wanted:
            return name
    return None


def fill_clearance(
    asked: str, units: pd.DataFrame, health: pd.DataFrame, fills: pd.DataFrame, sources: pd.DataFrame
) -> FillClearance:
    """How a typed cylinder or set stands today.

    Parameters
    ----------
    asked : str
        As typed.
    units, health, fills, sources : DataFrame
        Published `units`, `cylinder_health`, `fill_quality`, `gas_sources`.
    """
    unit_id = find(asked, units)
    if unit_id is None:
        pair = health.loc[health["set_id"].str.casefold() == asked.strip().casefold(), "cylinder_id"].tolist()
        if pair:
            return FillClearance(
                asked, None, [f"This pair is not joined: it is filled as two. Ask for {' or '.join(pair)}."]
            )
        return FillClearance(
            asked, None, ["It is not in the register. A cylinder nobody registered may not be filled."]
        )
    unit = units[units["unit_id"] == unit_id].iloc[0]
    why_not: list[str] = []
    remarks: list[str] = []
    joined_in = (
        unit["set_id"] if _yes(unit["joined"]) and words.known(unit["set_id"]) and unit["set_id"] != unit_id else None
    )
    if joined_in:
        remarks.append(f"It is one side of the joined set {joined_in}; the set is filled as one.")
    whole = joined_in or unit_id
    cylinders = health[(health["cylinder_id"] == unit_id) | (health["set_id"] == whole) & _yes(unit["joined"])]
    if cylinders.empty:
        why_not.append("Nothing is known of its inspections.")
    for cylinder in cylinders.itertuples():
        against, about = _of_cylinder(cylinder, several=len(cylinders) > 1)
        why_not += against
        remarks += about
    flagged = units.loc[units["unit_id"] == whole].get("flags", [])
    one_side = any("set_incomplete" in words.listed(flags) for flags in flagged)
    if one_side:
        why_not.append(f"{words.with_fix('set_incomplete')} Nothing is known of that side's inspections.")
    if not why_not and words.known(unit.get("in_test_today")) and not unit["in_test_today"]:
        why_not.append("It is not in test today. A set is in test only if each of its cylinders is.")
    inside = holds.inside(fills, {unit_id, whole, *cylinders["cylinder_id"]})
    for fill in inside.to_dict("records"):
        if holds.called_back(fill):
            why = sentence(next(c for c in words.listed(fill["reasons"]) if c in holds.CALLED_BACK))
            why_not.append(f"What is inside is called back. {why} {holds.DRAIN_FIRST}")
    failed = holds.failed_sources(sources)
    if holds.none_may_be_used(sources):
        why_not.append(f"There is nothing to fill from: {_failed(failed)}.")
    remarks = list(dict.fromkeys(remarks))
    clean = _oxygen_clean(units[units["unit_id"].isin([unit_id, whole])])
    return FillClearance(asked, unit_id, why_not, remarks, unit, cylinders, inside, failed, clean, whole, one_side)


def _failed(sources: pd.DataFrame) -> str:
    """Sources whose air stands failed, each with its test."""
    return "; ".join(f"{row['source_id']}: {holds.why_failed(row)}" for row in sources.to_dict("records"))


def _of_cylinder(cylinder, several: bool) -> tuple[list[str], list[str]]:
    """What speaks against filling one cylinder, and what is to be known besides."""
    name = f"{cylinder.cylinder_id}: " if several else ""
    row, found = cylinder._asdict(), words.listed(cylinder.score_reasons)
    said_elsewhere = {"inspection_due_soon", *LOOK_FIRST, *words.MINOR_REASONS}
    about = [name + words.with_fix(c, row) for c in found if c not in words.FORBIDS_FILLING | said_elsewhere]
    kind = words.KINDS.get(cylinder.next_due_kind, "inspection")
    if cylinder.inspection_state == "due_soon":
        about.insert(0, f"{name}{kind} due {words.days_away(cylinder.days_to_due)}, {words.day(cylinder.next_due_on)}.")
    state = "condemned" if cylinder.status == "condemned" else cylinder.inspection_state
    in_test = state in ("in_date", "due_soon")
    if in_test and cylinder.status == "in_service":
        return [], about
    why = [sentence(c, row) for c in found if c in words.FORBIDS_FILLING]
    if state == "out_of_date" and words.known(cylinder.next_due_on):
        why.append(f"Due was {words.day(cylinder.next_due_on)} ({kind}).")
    if not why and not in_test:
        why = [words.INSPECTION.get(state, f"It is {cylinder.status}.") + "."]
    if cylinder.status != "in_service" and not {"condemned", "withdrawn"} & set(found):
        why.append(f"The register has it as {cylinder.status}.")
    return [name + line for line in why], about


def _oxygen_clean(units: pd.DataFrame) -> bool | None:
    """None where nobody knows of one of them, and no other is known not to be."""
    clean = units["oxygen_clean_today"]
    if not clean.fillna(True).astype(bool).all():
        return False
    return None if clean.isna().any() else True


def _yes(value) -> bool:
    return bool(value) if words.known(value) else False
