"""When pages are shown new fills before the rest of a run is done: somebody stands at the compressor and waits."""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from pipelines.intake.result import IntakeResult
from pipelines.warehouse.rows import changed_by
from pipelines.warehouse.store import Warehouse
from schemas.entries import names
from schemas.snapshot import FORM, Manifest

#: what is new of fills alone
OF_FILLS = {"fills", "fill_readings", "releases", "returns"}
#: what may be new beside it: nothing on which a fill's clearance hangs. News of units, people, sources or air would
#: stand in the fills and not yet in the tables beside them, and could read as better than it is
BESIDE = {"dives", "dive_tanks", "dive_samples"}
#: with fewer, and few fills, all is published at once: the rest takes no longer than to publish twice
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
    from pipelines.derive.fills.step import MANY_FILLS

    return _rows(previous, "dive_consumption") >= LEAST_DIVES or _rows(previous, "fill_quality") >= MANY_FILLS


def _rows(manifest: Manifest, table: str) -> int:
    return sum(part.rows for part in manifest.tables.get(table, {}).values())


#: what of a row says which fill it is about; of a return the unit, whose last fill it ends
_SAYS_WHICH = {"fills": "fill_id", "fill_readings": "fill_id", "releases": "fill_id", "returns": "unit_id"}


class MoreToJudge(Exception):
    """More was logged while a run was at work, and somebody waits for its verdict: the run takes it in and goes on."""

    def __init__(self, intake: IntakeResult):
        super().__init__("More was logged.")
        self.intake = intake


def logged(inbox: Path) -> set[str]:
    """Names of what forms have written."""
    return set(names(inbox))


@dataclass(frozen=True)
class FirstLook:
    """How to show the fills just judged, what has come in, and whether more was logged since."""

    show: Callable[..., None]
    intake: IntakeResult
    more: Callable[[], bool] = lambda: False

    def give_way(self) -> None:
        """Between two steps after new fills were shown: begin anew where somebody has logged more meanwhile.

        Raises
        ------
        MoreToJudge
        """
        if self.more():
            raise MoreToJudge(self.intake)

    def fills_and_units(self, warehouse: Warehouse) -> tuple[set[str], set[str]] | None:
        """The fills that are new or have changed, and the units that came back; None where that is not all there is.

        A row that was not taken may have been a fill, of which nothing but that is known.
        """
        if self.intake.rows_rejected or self.intake.refused or self.intake.out_of_reach:
            return None
        found: dict[str, set[str]] = {"fill_id": set(), "unit_id": set()}
        for source, column in _SAYS_WHICH.items():
            files = [(f["file"], f["file_sha256"]) for f in self.intake.files if f["source"] == source]
            found[column] |= changed_by(warehouse, source, column, files)
        return found["fill_id"], found["unit_id"]
