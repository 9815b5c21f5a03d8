"""When pages are shown new fills before the rest of a run is done: somebody stands at the compressor and waits."""

from pipelines.intake.result import IntakeResult
from schemas.snapshot import FORM, Manifest

#: what is new of fills alone
OF_FILLS = {"fills", "fill_readings", "releases", "returns"}
#: what may be new beside it: nothing on which a fill's clearance hangs. News of units, people, sources or air would
#: stand in the fills and not yet in the tables beside them, and could read as better than it is
BESIDE = {"dives", "dive_tanks", "dive_samples"}
#: with fewer all is published at once: the rest takes no longer than to publish twice
LEAST_DIVES = 200


def worth_a_first_look(intake: IntakeResult, previous: Manifest | None, as_of_on: str, settings_hash: str) -> bool:
    """Whether something is new of fills, and of nothing that their clearance hangs on, and much is to follow.

    On another day or by other settings the tables of the last snapshot say what no longer holds.
    """
    if previous is None or (previous.form, previous.as_of_on, previous.settings_hash) != (
        FORM,
        as_of_on,
        settings_hash,
    ):
        return False
    taken = {entry["source"] for entry in intake.files if entry["rows_accepted"]}
    if intake.withdrawals or intake.resolved or not taken & OF_FILLS or taken - OF_FILLS - BESIDE:
        return False
    return sum(part.rows for part in previous.tables.get("dive_consumption", {}).values()) >= LEAST_DIVES
