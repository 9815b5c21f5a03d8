"""A run that is ready to begin: the program is loaded before anybody asks, which is most of what a small run waits for.

Whoever starts it writes a line to its standard input when there is something to do; where the input ends, nobody will.
"""

import gc
import pkgutil
import sys
from importlib import import_module

PACKAGES = ("pipelines.warehouse", "pipelines.intake", "pipelines.derive", "pipelines.refresh")


def begin_when_asked() -> bool:
    """Load what a run needs and wait for a line on standard input; False where it ends without one."""
    for name in PACKAGES:
        package = import_module(name)
        for module in pkgutil.walk_packages(package.__path__, f"{name}."):
            import_module(module.name)
    from shared.gas import thermal

    thermal.density_mol_l(200.0, 15.0)  # reads the tables of the gas
    # what is loaded stays: looking through it for garbage would cost the run that follows
    gc.collect()
    gc.freeze()
    return bool(sys.stdin.readline())
