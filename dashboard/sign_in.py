"""Who has signed in, and as what: from the claims of the identity token that Streamlit's login has checked.

The library checks the provider's signature, issuer, audience, nonce and expiry; here it is settled what a person
so named may see. Whoever has no role sees nothing.
"""

import hashlib
import json
import time
from collections.abc import Container, Mapping
from pathlib import Path
from typing import Any

import pandas as pd

from dashboard import signed_out
from dashboard.access import DIVER, MANAGER, OPERATOR, Refused, Viewer
from dashboard.data import sign_in_facts
from schemas.logins import OF_ROLES, address_hash, members_with, roles_of

#: hours after which one signs in again: a role that was taken away is not to live on in a browser
SIGNED_IN_FOR_H = 12.0
#: seconds by which the clocks of provider and station may differ
CLOCKS_DIFFER_S = 120.0
#: what a person edits; it stands beside the folder of snapshots
SETTINGS = "station.toml"
#: the widest first
_WIDEST = (MANAGER, OPERATOR, DIVER)

NO_ROLE = "You are signed in, but have no role here. Ask who runs the station for one."
AGAIN = "You signed in too long ago. Sign out and in again."
ENDED = "This sign-in was ended by signing out. Sign out and in again."

UNSURE = "Who has signed out of these pages cannot be read. Ask who runs the station."


def viewer_of(
    claims: Mapping[str, Any],
    roles: Mapping[str, str],
    roles_claim: str,
    logins: pd.DataFrame,
    now_s: float | None = None,
    ended: Container[str] = (),
) -> Viewer:
    """What a person may see, by checked claims.

    Parameters
    ----------
    claims : mapping
        Of the identity token.
    roles : mapping
        Role by hashed address or subject, from station.toml.
    roles_claim : str
        The claim that holds roles, '' for none.
    logins : DataFrame
        The working table `member_logins`.
    now_s : float, optional
        Seconds since 1970; the clock by default.
    ended : container of str
        Sign-ins that were ended by signing out (see `token`).

    Raises
    ------
    Refused
        No role, a diver who is joined to no member, signed in too long ago, or signed out since.
    """
    _recent(claims, time.time() if now_s is None else now_s)
    if token(claims) in ended:
        raise Refused(ENDED)
    address = verified_address(claims)
    found = _claimed(claims.get(roles_claim)) if roles_claim else set()
    subject = claims.get("sub")
    subject = subject if isinstance(subject, str) and "@" not in subject else ""  # it may look like an address
    for name in (address, subject):
        if name and (role := roles.get(address_hash(OF_ROLES, name))):
            found.add(role)
    role = next((r for r in _WIDEST if r in found), None)
    if role is None:
        raise Refused(NO_ROLE)
    of_address = members_with(address, logins["member_id"], logins["address_hash"]) if address else []
    called = claims.get("name")
    named = called.strip() if isinstance(called, str) and called.strip() else address or subject
    return Viewer(role, of_address[0] if len(of_address) == 1 else None, named)


def end(published: Path, claims: Mapping[str, Any], now_s: float | None = None) -> None:
    """Somebody signs out: what was signed in by these claims, in any window and by any copy of its cookie, is over."""
    holds_s = SIGNED_IN_FOR_H * 3600 + CLOCKS_DIFFER_S
    signed_out.end(published.parent, token(claims), time.time() if now_s is None else now_s, holds_s)


def token(claims: Mapping[str, Any]) -> str:
    """One sign-in, told from another of the same person by its time and number used once."""
    return hashlib.sha256(json.dumps(dict(claims), sort_keys=True, default=str).encode()).hexdigest()


def verified_address(claims: Mapping[str, Any]) -> str:
    """The address the provider has verified, or the empty text: an address that anybody may type admits nobody."""
    address = claims.get("email")
    return (
        address
        if isinstance(address, str) and "@" in address and claims.get("email_verified") in (True, "true")
        else ""
    )


def _claimed(value: Any) -> set[str]:
    listed = [value] if isinstance(value, str) else value if isinstance(value, list | tuple) else []
    return {r for r in listed if isinstance(r, str)}


def _recent(claims: Mapping[str, Any], now_s: float) -> None:
    issued = claims.get("iat")
    if isinstance(issued, bool) or not isinstance(issued, int | float):
        raise Refused(AGAIN)
    if not -CLOCKS_DIFFER_S <= now_s - issued <= SIGNED_IN_FOR_H * 3600:
        raise Refused(AGAIN)


def viewer_for(published: Path, claims: Mapping[str, Any]) -> Viewer:
    """The same, by what station.toml says of roles now, and the newest snapshot of members.

    Raises
    ------
    NothingPublished
        The station has no snapshot yet.
    Refused
        As `viewer_of`; or who has signed out cannot be read.
    """
    try:
        ended = signed_out.ended(published.parent)
    except OSError:
        raise Refused(UNSURE) from None
    station, logins = sign_in_facts(published)
    stated = roles_of(published.parent / SETTINGS)
    # a snapshot of an earlier version held the roles itself
    roles, claim = stated if stated is not None else (station.get("roles") or {}, station.get("roles_claim") or "")
    return viewer_of(claims, roles, claim, logins, ended=ended)
