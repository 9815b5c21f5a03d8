"""The pages of a station, served by Streamlit: `coldfill dashboard` starts it, see launch.py.

streamlit run dashboard/app.py -- --published DIR [--local-network | --sign-in]
"""

import argparse
import functools
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pandas as pd
import streamlit as st

from dashboard import code_door, entry_door, launch, new_day, parts, sign_in
from dashboard.access import ALONE, LOCAL_NETWORK, ROLES, Refused, Viewer
from dashboard.data import NothingPublished, Snapshot, open_snapshot
from dashboard.views import air, divers, filling, fleet, inbox, season, today
from schemas import reading_units, words

#: in the order of the navigation; each module says its title and who may open it
VIEWS = {module.__name__.rpartition(".")[2]: module for module in (filling, today, fleet, divers, season, air, inbox)}

#: seconds between looks at the pointer while a page stands open
LOOK_AGAIN_S = 20
#: the same, while an entry waits to be computed, or the rest of a run
LOOK_SOON_S = 0.2


#: where a viewer's choice of units stands: in the session, and so called in the address, which can be kept. A field's
#: own state does not outlive the turning of a page.
UNITS_CHOSEN, UNITS_FIELD = "units", "units_field"


def asked(arguments: list[str]) -> argparse.Namespace:
    """What the command line asks for."""
    parser = argparse.ArgumentParser(prog="dashboard")
    parser.add_argument("--published", type=Path, required=True)
    who = parser.add_mutually_exclusive_group()
    who.add_argument("--local-network", action="store_true")
    who.add_argument("--sign-in", action="store_true")
    parser.add_argument("--role", choices=ROLES)
    parser.add_argument("--member")
    parser.add_argument("--look-again", type=float, default=LOOK_AGAIN_S, metavar="SECONDS")
    return parser.parse_args(arguments)


def viewer_of(options: argparse.Namespace) -> Viewer | None:
    """Who is asking: by how the pages were started, or who has signed in; None while nobody has.

    Raises
    ------
    Refused, NothingPublished
        See `sign_in.viewer_for`.
    """
    if options.sign_in:
        return sign_in.viewer_for(options.published, st.user.to_dict()) if st.user.is_logged_in else None
    if options.local_network:
        return Viewer(LOCAL_NETWORK, code_given=code_door.given(options.published))
    return Viewer(options.role or ALONE, options.member)


def _door() -> None:
    """What stands there before anybody has signed in."""
    parts.show(
        parts.heading("Sign in", 1), parts.plain("These pages name people: sign in to see what is yours to see.")
    )
    st.button("Sign in", on_click=st.login, key="sign_in", type="primary")


def _way_out(published: Path) -> None:
    with st.container(horizontal=True, vertical_alignment="center", key="signed_in"):
        who = st.user.get("email") or st.user.get("name") or "someone without an address"
        parts.show(parts.note(f"Signed in: {who}"))
        st.button("Sign out", on_click=_sign_out, args=(published,), key="sign_out")


def _sign_out(published: Path) -> None:
    sign_in.end(published, st.user.to_dict())
    st.logout()


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
    if others := snapshot.manifest.others_of:
        of = words.clock(pd.Timestamp(others), snapshot.zone)
        parts.show(
            parts.note(f"Fills alone are so new. Dives, reserves, air and fleet are of {of}, until a run has ended.")
        )
    if snapshot.viewer.role == LOCAL_NETWORK:
        parts.show(
            parts.note(
                "Open to this local network: Filling, Today and Fleet alone, without names of members and dives, "
                f"{_what_may_be_logged(snapshot)}. For all pages sit at the station's own machine."
            )
        )


def _what_may_be_logged(snapshot: Snapshot) -> str:
    if snapshot.viewer.code_given:
        return "to read and, by the station code, to log"
    return "to read; to log takes the station code" if code_door.is_set(snapshot.published) else "to read only"


def _look_again(options: argparse.Namespace, viewer: Viewer, shown: str) -> None:
    """Turn to a newer snapshot; and let go of a page whose viewer may no longer see it, or has signed out elsewhere."""
    from schemas.snapshot import shown_name

    try:
        if viewer_of(options) != viewer:
            st.rerun()
    except (Refused, NothingPublished):
        st.rerun()
    try:
        newest = shown_name(options.published)
    except NothingPublished:  # damaged; what is shown still stands
        return
    if newest != shown:
        st.rerun()


def pages_of(role: str) -> list[str]:
    """Names of the pages that a role may open, in the order of the navigation."""
    return [name for name, module in VIEWS.items() if role in module.OPEN_TO]


def main(arguments: list[str]) -> None:
    st.set_page_config("coldfill", layout="wide", initial_sidebar_state="collapsed")
    parts.style()
    options = asked(arguments)
    try:
        viewer = viewer_of(options)
        if viewer is None:  # whichever page the address names, the door stands before it
            doors = {name: _page(name, _door, first=name == "filling") for name in VIEWS}
            _navigation(doors).run()
            return
        snapshot = open_snapshot(options.published, viewer)
        _ = snapshot.manifest  # read now: every page has its header from it
    except (Refused, NothingPublished) as refusal:
        parts.show(parts.heading("Nothing to show", 1), parts.plain(str(refusal)))
        if options.sign_in and st.user.is_logged_in:
            _way_out(options.published)
        return
    new_day.watch(options.published, entry_door.now)
    pages: dict[str, Any] = {}
    for name in pages_of(viewer.role):
        pages[name] = _page(name, _bound(VIEWS[name].page, snapshot), first=not pages)
    chosen = _navigation(pages)
    st.session_state[today.PAGES] = pages
    reading_units.use(units_of(snapshot))
    with parts.place():
        header(snapshot)
    if options.sign_in:
        _way_out(options.published)
    with st.container(horizontal=True, key="pages"):
        said = keep_in_address(snapshot)
        for page in pages.values():
            st.page_link(page, query_params=said)
        choose_units(snapshot)
    look_anew = functools.partial(_look_again, options, viewer, snapshot.name)
    st.session_state[parts.LOOK_ANEW] = look_anew
    parts.or_say_why(chosen.run)
    every = LOOK_SOON_S if entry_door.pending(snapshot) or snapshot.manifest.others_of else options.look_again
    st.fragment(look_anew, run_every=every)()
    launch.let_rest()


def units_of(snapshot: Snapshot) -> str:
    """What the viewer reads in: as chosen, else as the address says, else as the station does; else metric."""
    for chosen in (st.session_state.get(UNITS_CHOSEN), st.query_params.get(UNITS_CHOSEN)):
        if chosen in reading_units.CHOICES:
            return str(chosen)
    return units_of_station(snapshot)


def units_of_station(snapshot: Snapshot) -> str:
    said = snapshot.station.get("units")
    return str(said) if said in reading_units.CHOICES else reading_units.METRIC


def keep_in_address(snapshot: Snapshot) -> dict[str, str]:
    """Have the address say the viewer's choice of units, however it was made and whichever page it is on; gives it.

    A choice bound to the address by Streamlit is lost where the address itself made it and a page is turned.
    """
    chosen = units_of(snapshot)
    said = {} if chosen == units_of_station(snapshot) else {UNITS_CHOSEN: chosen}
    if not said and UNITS_CHOSEN in st.query_params:
        del st.query_params[UNITS_CHOSEN]
    elif said and st.query_params.get(UNITS_CHOSEN) != chosen:
        st.query_params[UNITS_CHOSEN] = chosen
    return said


def choose_units(snapshot: Snapshot) -> None:
    """The viewer's own units, behind a word; nothing that is stored or handed on follows them."""
    with st.popover(f"Units: {reading_units.shown('bar').unit}, {reading_units.shown('m').unit}", key="units_of_page"):
        st.radio(
            "Units you read and type in",
            list(reading_units.CHOICES),
            index=list(reading_units.CHOICES).index(units_of(snapshot)),
            captions=list(reading_units.CHOICES.values()),
            key=UNITS_FIELD,
            on_change=lambda: st.session_state.update({UNITS_CHOSEN: st.session_state[UNITS_FIELD]}),
        )
        parts.show(
            parts.note(
                "Shown and typed alone: files, tables and exports stay metric. Gas is counted at 1 bar (14.5 psi) and "
                "15 °C (59 °F). The address of the page now holds your choice: keep it as a bookmark or on the home "
                "screen, and the next visit begins with it. What everybody's pages begin with stands under [display] "
                "units in station.toml."
            )
        )


def _page(name: str, run: Callable[[], None], *, first: bool) -> Any:
    return st.Page(run, title=VIEWS[name].TITLE, url_path="" if first else name, default=first)


def _navigation(pages: dict[str, Any]) -> Any:
    """The page that the address names; the first one by its own name too, which Streamlit by itself calls not found."""
    first = next(iter(pages))
    by_name = st.Page(lambda: None, title=VIEWS[first].TITLE, url_path=first, visibility="hidden")
    chosen = st.navigation([*pages.values(), by_name], position="hidden")
    if chosen is by_name:
        st.switch_page(pages[first], query_params=st.query_params.to_dict())
    return chosen


def _bound(run, snapshot: Snapshot):
    def page():
        run(snapshot)

    return page


if __name__ == "__main__":
    main(sys.argv[1:])
