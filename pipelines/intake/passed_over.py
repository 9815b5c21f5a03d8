"""List what lies in the inbox and is not read, for as long as it lies there."""

import pandas as pd

from pipelines.intake.inbox import PassedOver
from pipelines.warehouse import problems
from pipelines.warehouse.store import Warehouse

RULES = ("folder_unreadable", "folder_passed_over", "link_passed_over", "not_a_file")


def list_passed_over(warehouse: Warehouse, passed: PassedOver, now: pd.Timestamp) -> int:
    """Bring the notices to what was passed over in this look; gives how many are new."""
    listed = {(n.file, n.rule) for n in problems.listed(warehouse, RULES)}
    if listed == passed.listed:
        return 0
    with warehouse.transaction():
        for file, rule in sorted(listed - passed.listed):
            problems.unlist(warehouse, file, [rule])
        return sum(warehouse.note(file, rule, None, now) for file, rule in sorted(passed.listed - listed))
