"""The pages of a station, served by Streamlit: `coldfill dashboard` starts it, see launch.py.

streamlit run dashboard/app.py -- --published DIR [--local-network]
"""

import argparse
import sys
from pathlib import Path
from typing import Any

import pandas as pd
import streamlit as st

from dashboard import parts
from dashboard.access import ALONE, LOCAL_NETWORK, PAGES, ROLES, Refused, Viewer
from dashboard.data import NothingPublished, Snapshot, open_snapshot
from dashboard.views import air, divers, filling, fleet, inbox, season
from schemas import words

VIEWS = {
    "filling": (filling.page, "Filling"),
    "fleet": (fleet.page, "Fleet"),
    "divers": (divers.page, "Divers"),
    "season": (season.page, "My season"),
    "air": (air.page, "Air"),
    "inbox": (inbox.page, "Inbox"),
}

#: seconds between looks at the pointer while a page stands open
LOOK_AGAIN_S = 20


def asked(arguments: list[str]) -> argparse.Namespace:
    """What the command line asks for."""
    parser = argparse.ArgumentParser(prog="dashboard")
    parser.add_argument("--published", type=Path, required=True)
    parser.add_argument("--local-network", action="store_true")
    parser.add_argument("--role", choices=ROLES)
    parser.add_argument("--member")
    return parser.parse_args(arguments)


def viewer_of(options: argparse.Namespace) -> Viewer:
    """Who is asking: nobody is told apart yet but by how the pages were started."""
    if options.local_network:
        return Viewer(LOCAL_NETWORK)
    return Viewer(options.role or ALONE, options.member)


def header(snapshot: Snapshot) -> None:
    """Whose station, which day, how old."""
    now = pd.Timestamp.now(tz="UTC")
    made = pd.Timestamp(snapshot.manifest.created_at)
    made = made.tz_localize("UTC") if made.tz is None else made
    parts.show(
        parts.Markup(
            '<div class="station">'
            f"<h1>{parts.text(snapshot.station.get('name') or 'Station')}</h1>"
            f'<span class="old">Today here: {words.day(snapshot.as_of_on)}. Figures of '
            f"{words.clock(made, snapshot.zone)}, {words.age(made, now)} old.</span></div>"
        )
    )
    if snapshot.viewer.role == LOCAL_NETWORK:
        parts.show(
            parts.note(
                "Open to this local network: Filling and Fleet alone, to read only, without names of members and "
                "without dives. For all pages sit at the station's own machine."
            )
        )


@st.fragment(run_every=LOOK_AGAIN_S)
def _turn_to_newer(published: Path, shown: str) -> None:
    from schemas.snapshot import current_name

    if current_name(published) not in (shown, None):
        st.rerun()


def main(arguments: list[str]) -> None:
    st.set_page_config("coldfill", layout="wide", initial_sidebar_state="collapsed")
    parts.style()
    options = asked(arguments)
    try:
        viewer = viewer_of(options)
        snapshot = open_snapshot(options.published, viewer)
    except (Refused, NothingPublished) as told:
        parts.show(parts.heading("Nothing to show", 1), parts.plain(str(told)))
        return
    pages: dict[str, Any] = {}
    for name in PAGES[viewer.role]:
        run, title = VIEWS[name]
        pages[name] = st.Page(_bound(run, snapshot), title=title, url_path=name if pages else "", default=not pages)
    chosen = st.navigation(list(pages.values()), position="hidden")
    header(snapshot)
    with st.container(horizontal=True, key="pages"):
        for page in pages.values():
            st.page_link(page)
    try:
        chosen.run()
    except Refused as told:
        parts.show(parts.heading("Not for you to see"), parts.plain(str(told)))
    _turn_to_newer(options.published, snapshot.name)


def _bound(run, snapshot: Snapshot):
    def page():
        run(snapshot)

    return page


if __name__ == "__main__":
    main(sys.argv[1:])
