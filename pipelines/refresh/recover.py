"""A build that meets a damaged part of the lake, or rows that a step breaks on: it deals with them and goes on."""

from collections.abc import Callable
from typing import TypeVar

import pandas as pd

from pipelines.intake.intake import Intake
from pipelines.refresh.culprits import Culprits, StepBroke, find_culprits
from pipelines.warehouse import files, problems
from pipelines.warehouse import rows as stored
from pipelines.warehouse.lake import PartDamaged, read_part
from pipelines.warehouse.store import Warehouse
from schemas.codes import all_codes

T = TypeVar("T")
#: so many times a run begins anew
_MOST = 10


def build_past_trouble(build: Callable[[], T], intake: Intake, warehouse: Warehouse, now: pd.Timestamp) -> T:
    """What `build` gives, begun anew after trouble that is a file's or a row's, so that neither stops a station.

    Damaged parts of the lake are read again from their originals; samples whose original is lost too are left out
    and listed. Rows that a step breaks on are set aside, and listed as rejected.

    Raises
    ------
    Exception
        What the step raised, where no few rows are to blame.
    """
    for _ in range(_MOST):
        try:
            return build()
        except PartDamaged:
            read_damaged_again(intake, warehouse, now)
        except StepBroke as broke:
            culprits = find_culprits(broke)
            if culprits is None or not set_aside(warehouse, culprits, broke, now):
                raise broke.error from None
    return build()


def set_aside(warehouse: Warehouse, culprits: Culprits, broke: StepBroke, now: pd.Timestamp) -> int:
    """Reject the current rows of these keys; gives how many. An older row of a key counts again.

    They are read again, and taken, when their file changes or a later version reads it anew.
    """
    source = culprits.source
    with warehouse.transaction():
        rows = stored.current_of_keys(warehouse, source, culprits.keys)
        if rows.empty:
            return 0
        stored.reject(warehouse, source, rows["id"].tolist())
        code, words = all_codes()["breaks_a_step"], {"step": broke.step.name, "found": str(broke.error)[:200]}
        problems.add(
            warehouse,
            rows[["file", "file_sha256", "row_number", "line"]].assign(
                source=source,
                severity="row",
                rule="breaks_a_step",
                message=code.words(words),
                fix=code.fix,
                first_seen_at=now,
                waiting=False,
            ),
        )
        for (file, sha256), part in rows.groupby(["file", "file_sha256"]):
            files.shift_counts(warehouse, file, sha256, -len(part))
    return len(rows)


def read_damaged_again(intake: Intake, warehouse: Warehouse, now: pd.Timestamp) -> None:
    """Read every part of the lake; those that are not as they were written come again from the archive, or are lost."""
    damaged = _damaged(intake, warehouse)
    once_more = {(part["file"], part["file_sha256"]) for part in damaged}
    intake.read_again(once_more)
    lost = [part for part in _damaged(intake, warehouse) if (part["file"], part["file_sha256"]) in once_more]
    if not lost:
        return
    with warehouse.transaction():
        files.mark_lost(warehouse, [part["path"] for part in lost])
        for file in sorted({part["file"] for part in lost}):
            rows = sum(part["rows"] for part in lost if part["file"] == file)
            warehouse.note(file, "samples_lost", f"{rows} samples", now)


def _damaged(intake: Intake, warehouse: Warehouse) -> list[dict]:
    found = []
    for part in files.parts(warehouse, "current"):
        try:
            read_part(intake.station.lake, part)
        except PartDamaged:
            found.append(part)
    return found
