"""Start the dashboard for a station and stay until it ends. The dashboard itself reads only snapshots."""

import signal
import subprocess
import sys
import threading
import time
import urllib.error
import urllib.request
import webbrowser
from importlib import util
from pathlib import Path

from pipelines.station.ports import free_port
from pipelines.station.settings import Station

#: what the operator writes for signing in, in the station's folder; never published, never in a backup of the data
SECRETS = Path(".streamlit") / "secrets.toml"


def serve(station: Station, port: int, browser: bool, local_network: bool = False, sign_in: bool = False) -> None:
    """Run the dashboard on 127.0.0.1 until ended; opens a browser once it answers.

    Raises
    ------
    PortTaken
        The port is taken; the message names another way.
    ValueError
        Sign-in without what it needs, or together with `local_network`.
    """
    free_port(port)
    # The pipelines and the dashboard do not import each other: the launcher is found by its place.
    launch = util.spec_from_file_location("launch", Path(__file__).parents[2] / "dashboard" / "launch.py")
    if launch is None or launch.loader is None:
        raise FileNotFoundError("The dashboard is not part of this installation.")
    module = util.module_from_spec(launch)
    launch.loader.exec_module(module)
    environment = module.environment() if hasattr(module, "environment") else None
    secrets = (station.folder / SECRETS).resolve() if sign_in else None
    command = module.command(station.published.resolve(), port, local_network, secrets=secrets)
    child = subprocess.Popen(command, env=environment)
    address = f"http://127.0.0.1:{port}"
    if browser:
        threading.Thread(target=_open_when_up, args=(address, child), daemon=True).start()
    print(f"The dashboard of {station.name} is at {address}  (end it with Ctrl-C)", flush=True)
    previous = signal.signal(signal.SIGTERM, lambda *_: child.terminate())
    try:
        code = child.wait()
    except KeyboardInterrupt:
        child.terminate()
        code = 0 if child.wait(timeout=10) in (0, -signal.SIGTERM, -signal.SIGINT, 130) else 1
    finally:
        signal.signal(signal.SIGTERM, previous)
        if child.poll() is None:
            child.kill()
    if code not in (0, -signal.SIGTERM):
        sys.exit(1)


def _open_when_up(address: str, child: subprocess.Popen) -> None:
    for _ in range(120):
        if child.poll() is not None:
            return
        try:
            with urllib.request.urlopen(f"{address}/_stcore/health", timeout=1):
                webbrowser.open(address)
                return
        except (urllib.error.URLError, OSError):
            time.sleep(0.25)
