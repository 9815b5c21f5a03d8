"""When pages are shown new fills before the rest of a run is done: somebody stands at the compressor and waits."""

from pipelines.intake.result import IntakeResult
from pipelines.refresh.fills import LOGINS, PEOPLE, UNITS
from schemas.snapshot import FORM, Manifest

#: what changes a fill's verdict and nothing that other tables say of units and people
OF_FILLS = ("fills", "fill_readings", "releases", "returns")
#: with news of these, tables that follow would not know a unit or a person that the first look shows
OF_REGISTERS = {name for step in (UNITS, PEOPLE, LOGINS) for name in step.reads} - set(OF_FILLS)
#: with fewer dives all is published at once: the rest takes no longer than to publish twice
DIVES = 200


def worth_a_first_look(intake: IntakeResult, previous: Manifest | None) -> bool:
    """Whether what was taken in says something new of fills alone, or of fills and dives, and much is to follow."""
    if previous is None or previous.form != FORM:
        return False
    taken = {entry["source"] for entry in intake.files if entry["rows_accepted"]}
    if intake.withdrawals or intake.resolved or not taken & set(OF_FILLS) or taken & OF_REGISTERS:
        return False
    return sum(part.rows for part in previous.tables.get("dive_consumption", {}).values()) >= DIVES
