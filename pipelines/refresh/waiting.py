"""A run that waits until another one is done."""

import time
from collections.abc import Callable
from typing import TypeVar

from pipelines.warehouse.trouble import WarehouseBusy

Made = TypeVar("Made")


def when_free(make: Callable[[], Made], most_s: float) -> Made:
    """Make a run; where another one is at work, again and again for so many seconds.

    Raises
    ------
    WarehouseBusy
        The other one is at work still.
    """
    until = time.monotonic() + most_s
    while True:
        try:
            return make()
        except WarehouseBusy:
            if time.monotonic() >= until:
                raise
            time.sleep(0.5)
