"""A member's season as a page to print: the report of the command line, made by it when somebody asks."""

import subprocess
import sys
import tempfile
from pathlib import Path

from dashboard import launch


class NotMade(RuntimeError):
    """The report could not be made; the message says why."""


def season_report(published: Path, member: str, units: str) -> bytes:
    """The season of a member in these reading units, as HTML.

    The caller has settled that the viewer may see this member.

    Raises
    ------
    NotMade
        The command ended with an error.
    """
    with tempfile.TemporaryDirectory() as folder:
        to = Path(folder) / "season.html"
        command = [sys.executable, "-m", "pipelines.cli", "report", "season", f"--member={member}", f"--units={units}"]
        done = subprocess.run(
            [*command, "--to", str(to), "--station", str(published.parent)],
            env=launch.environment(),
            stdin=subprocess.DEVNULL,
            capture_output=True,
            text=True,
            check=False,
        )
        if done.returncode:
            raise NotMade(done.stderr.strip()[-500:] or f"it ended with {done.returncode}")
        return to.read_bytes()
