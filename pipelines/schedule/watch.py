"""Look at the inbox every few seconds; a change asks for a run once it has come to rest.

Asking the file system is enough for a folder of files, and works on every drive and network share; notices of the
system do not.
"""

import asyncio
import os
import threading
from collections.abc import Callable
from pathlib import Path

#: seconds between looks; a run begins within a minute: two looks, and the scheduler's own ten seconds
EVERY = 10.0
Look = frozenset[tuple[str, int, int]]


def look(inbox: Path) -> Look:
    """Every file of the inbox by name, size and time of saving; what cannot be looked at is left out."""
    found = []
    waiting = [inbox]
    while waiting:
        try:
            with os.scandir(waiting.pop()) as entries:
                for entry in entries:
                    try:
                        if entry.is_dir(follow_symlinks=False):
                            waiting.append(Path(entry.path))
                        elif entry.is_file() and not entry.name.startswith((".", "~$")):
                            info = entry.stat()
                            found.append((entry.path, info.st_size, info.st_mtime_ns))
                    except OSError:
                        continue
        except OSError:
            continue
    return frozenset(found)


class Watcher:
    """Says when a run is wanted: something differs from the last run, and two looks in a row see the same."""

    def __init__(self, seen: Look):
        self.done = self.last = seen

    def wants_run(self, now: Look) -> bool:
        """Whether to run now; half a copied file waits until it has come to rest."""
        still, self.last = now == self.last, now
        if now == self.done or not still:
            return False
        self.done = now
        return True


def watch(inbox: Path, ask: Callable[[], None], ended: threading.Event, every: float = EVERY) -> None:
    """Look until ended; `ask` asks for a run, and is asked again at the next look where it fails."""
    watcher = Watcher(look(inbox))
    while not ended.wait(every):
        before = watcher.done
        if watcher.wants_run(look(inbox)):
            try:
                ask()
            except Exception as error:  # a server that is busy just now must not end the watch
                print(f"The inbox has changed, and no run could be asked for ({error}); trying again.", flush=True)
                watcher.done = before


def ask_for_run(deployment: str) -> None:
    """Ask the scheduler for a run of its deployment, beside those of the cron."""

    async def asked() -> None:
        from prefect.client.orchestration import get_client

        async with get_client() as client:
            found = await client.read_deployment_by_name(deployment)
            await client.create_flow_run_from_deployment(found.id)

    asyncio.run(asked())
