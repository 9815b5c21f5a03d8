"""How the pages are served: the command line and the environment that `coldfill dashboard` starts.

Streamlit is given everything on its command line, so that no settings file of the user, of the folder or of
another program changes how a station's pages behave.
"""

import contextlib
import gc
import os
import socket
import sys
import tomllib
from collections.abc import Mapping
from functools import cache
from importlib import util
from pathlib import Path
from urllib.parse import urlsplit

APP = Path(__file__).with_name("app.py")
LOOPBACK = "127.0.0.1"

#: what `[auth]` of the secrets must have
NEEDED_SECRETS = ("redirect_uri", "cookie_secret", "client_id", "client_secret", "server_metadata_url")
LEAST_COOKIE_SECRET = 32

#: what both themes have
THEME = {"baseFontSize": "17", "baseRadius": "4px", "showWidgetBorder": "true"}
#: by the reader's own system: ink on paper, and paper on ink; contrast above 7 to 1 for text, for daylight and night
THEMES = {
    "light": {
        "primaryColor": "#3D348B",
        "backgroundColor": "#FFFFFF",
        "secondaryBackgroundColor": "#F1F1F5",
        "textColor": "#14162B",
        "linkColor": "#3D348B",
        "borderColor": "#8A8CA0",
    },
    "dark": {
        "primaryColor": "#C9C5FB",
        "backgroundColor": "#12131F",
        "secondaryBackgroundColor": "#1E2033",
        "textColor": "#ECEEF8",
        "linkColor": "#C9C5FB",
        "borderColor": "#7D8099",
    },
}
SETTINGS = {
    "server.headless": "true",
    "server.showEmailPrompt": "false",
    "server.fileWatcherType": "none",
    "server.runOnSave": "false",
    "server.enableStaticServing": "false",
    "browser.gatherUsageStats": "false",
    "client.toolbarMode": "minimal",
    "client.showSidebarNavigation": "false",
    "client.showErrorLinks": "false",
    "client.showErrorDetails": "none",
    "logger.hideWelcomeMessage": "true",
}


def command(
    published: Path,
    port: int,
    local_network: bool = False,
    *,
    secrets: Path | None = None,
    role: str | None = None,
    member_id: str | None = None,
) -> list[str]:
    """The command that serves a station's pages until ended.

    Parameters
    ----------
    published : Path
        The station's folder of snapshots.
    port : int
    local_network : bool
        Listen beyond this machine; Filling, Today and Fleet alone, without names.
    secrets : Path, optional
        Let people sign in with the provider that this file names; see `sign_in_host`.
    role, member_id : str, optional
        Show the pages as this role sees them.

    Raises
    ------
    ValueError
        Open to the local network and with sign-in at once, or secrets that lack what signing in needs.
    """
    if secrets and local_network:
        raise ValueError(
            "Without names for the local network, or with sign-in: not both. Start it twice, on two ports."
        )
    address = "0.0.0.0" if local_network else LOOPBACK
    settings = SETTINGS | {"server.address": address, "server.port": str(port)}
    settings |= {f"theme.{name}": value for name, value in THEME.items()}
    settings |= {f"theme.{of}.{name}": value for of, theme in THEMES.items() for name, value in theme.items()}
    options = [f"--{name}={value}" for name, value in settings.items()]
    if local_network:  # a phone may call the machine by its name or number; another name gets no answer
        name = socket.gethostname().split(".")[0]
        options += [f"--server.corsAllowedOrigins=http://{host}:{port}" for host in (name, f"{name}.local")]
        own = dict.fromkeys([name, f"{name}.local", "localhost", LOOPBACK, *own_addresses()])
        options += [f"--server.allowedHosts={host}" for host in own]
    else:  # a name that another site lets point here gets no answer
        options += [f"--browser.serverAddress={LOOPBACK}"]
        options += [f"--server.allowedHosts={host}" for host in ("localhost", LOOPBACK)]
    if secrets:  # people come by the address that the provider sends them back to
        host, origin = sign_in_host(secrets)
        options.append(f"--secrets.files={secrets}")
        if host not in ("localhost", LOOPBACK):
            options += [f"--server.allowedHosts={host}", f"--server.corsAllowedOrigins={origin}"]
    asked = ["--published", str(published)]
    if local_network:
        asked.append("--local-network")
    if secrets:
        asked.append("--sign-in")
    if role:
        asked += ["--role", role]
    if member_id:
        asked += ["--member", member_id]
    return [sys.executable, "-m", "streamlit", "run", str(APP), *options, "--", *asked]


def own_addresses() -> list[str]:
    """The numbers by which this machine can be called in its network just now."""
    found: dict[str, None] = {}
    for family, outside in ((socket.AF_INET, "192.0.2.1"), (socket.AF_INET6, "2001:db8::1")):
        with contextlib.suppress(OSError), socket.socket(family, socket.SOCK_DGRAM) as probe:
            probe.connect((outside, 9))  # nothing is sent: it only says which address would be used
            found[probe.getsockname()[0]] = None
    with contextlib.suppress(OSError):
        found |= dict.fromkeys(str(info[4][0]).split("%")[0] for info in socket.getaddrinfo(socket.gethostname(), None))
    return list(found)


def sign_in_host(secrets: Path) -> tuple[str, str]:
    """Host and origin of the address that people come by, from `[auth] redirect_uri`.

    Raises
    ------
    ValueError
        The file, the library or a setting is missing, with what to do.
    """
    if util.find_spec("authlib") is None:
        raise ValueError('Signing in needs a further package: pip install "coldfill[sign-in]".')
    try:
        auth = tomllib.loads(secrets.read_text(encoding="utf-8")).get("auth", {})
    except FileNotFoundError:
        raise ValueError(f"{secrets} does not exist. Write it first: README, section 'For an operation'.") from None
    except tomllib.TOMLDecodeError as error:
        raise ValueError(f"{secrets} is not TOML: {error}") from None
    lacking = [name for name in NEEDED_SECRETS if not auth.get(name)]
    if lacking:
        raise ValueError(f"{secrets}: [auth] lacks {', '.join(lacking)}. README, section 'For an operation'.")
    if len(auth["cookie_secret"]) < LEAST_COOKIE_SECRET:
        raise ValueError(
            f"{secrets}: cookie_secret is shorter than {LEAST_COOKIE_SECRET} characters; make a random one."
        )
    address = urlsplit(auth["redirect_uri"].replace("{port}", ""))
    if not address.hostname or address.path != "/oauth2callback":
        raise ValueError(f"{secrets}: redirect_uri is the address people come by, ending in /oauth2callback.")
    if address.scheme != "https" and address.hostname not in ("localhost", LOOPBACK):
        raise ValueError(f"{secrets}: redirect_uri begins with https:// unless it is this machine alone.")
    return address.hostname, f"{address.scheme}://{address.netloc}"


def environment(given: Mapping[str, str] | None = None) -> dict[str, str]:
    """The environment to start it in: imports as in this checkout, nothing sent anywhere, no proxies asked."""
    made = dict(os.environ if given is None else given)
    root = str(APP.parent.parent)
    made["PYTHONPATH"] = os.pathsep.join(p for p in (root, made.get("PYTHONPATH", "")) if p)
    made["STREAMLIT_BROWSER_GATHER_USAGE_STATS"] = "false"
    return made


@cache
def let_rest() -> None:
    """Take what is loaded by now out of the search for garbage, once a process.

    Streamlit makes a full search after each run of a page, before the browser has the last of it: 0.15 to 0.3 s for
    the libraries alone, twice between a press and what it shows.
    """
    gc.collect()
    gc.freeze()


def free_port(wanted: int = 0) -> int:
    """A port nobody listens on at the loopback address, the wanted one if it is free."""
    with socket.socket() as probe:
        try:
            probe.bind((LOOPBACK, wanted))
        except OSError:
            probe.bind((LOOPBACK, 0))
        return probe.getsockname()[1]
