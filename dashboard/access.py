"""Who is asking, and what that lets them see: written down once as data, enforced where snapshots are read.

A page never decides what somebody may see. It asks `data.Snapshot`, which asks here. What is not granted
is refused; there is no default that lets something through.
"""

from dataclasses import dataclass, field
from enum import StrEnum

#: one person on the machine the station lives on, bound to the loopback address
ALONE = "alone"
#: a phone beside the compressor, nobody signed in: no names, no dives
LOCAL_NETWORK = "local_network"
OPERATOR = "operator"
MANAGER = "manager"
DIVER = "diver"
ROLES = (ALONE, LOCAL_NETWORK, OPERATOR, MANAGER, DIVER)


class Scope(StrEnum):
    """How much of a table a role may see."""

    ALL = "all"
    #: rows of the asking member alone
    OWN = "own"
    #: every row, with what names a person taken out
    NAMELESS = "nameless"


class Refused(PermissionError):
    """The one who asks may not see this."""


@dataclass(frozen=True)
class Viewer:
    """Who is asking. `member_id` is the person's own member, where there is one.

    Raises
    ------
    Refused
        The role is unknown, or a diver comes without a member: without a role nothing is shown.
    """

    role: str
    member_id: str | None = None
    #: who has signed in, for what is logged; it decides nothing
    named: str = field(default="", compare=False)
    #: on the local network: the station code was given
    code_given: bool = field(default=False, compare=False)

    def __post_init__(self):
        if self.role not in ROLES:
            raise Refused(
                f"The role {self.role!r} is none of: {', '.join(ROLES)}. Ask who runs the station for a role."
            )
        if self.role == DIVER and not self.member_id:
            raise Refused("You are signed in, but joined to no member. Ask who runs the station to link your address.")


#: table → role → scope; alone on a laptop sees all, so it is not repeated
_FILLING = {OPERATOR: Scope.ALL, MANAGER: Scope.ALL, LOCAL_NETWORK: Scope.NAMELESS, DIVER: Scope.OWN}
_FLEET = {OPERATOR: Scope.ALL, MANAGER: Scope.ALL, LOCAL_NETWORK: Scope.NAMELESS}
_STATION = {OPERATOR: Scope.ALL, MANAGER: Scope.ALL}
_DIVES = {MANAGER: Scope.ALL, DIVER: Scope.OWN}
_ANYBODY = {OPERATOR: Scope.ALL, MANAGER: Scope.ALL, LOCAL_NETWORK: Scope.ALL, DIVER: Scope.ALL}

GRANTS: dict[str, dict[str, Scope]] = {
    "fill_quality": _FILLING,
    "gas_added": _FILLING,
    "units": _ANYBODY,
    "gas_sources": _FLEET,
    "cylinder_health": _FLEET | {DIVER: Scope.OWN},
    "cylinder_life": _FLEET,
    "inspection_plan": _FLEET,
    "booking_cover": _FLEET,
    "settling_model": _ANYBODY,
    "settling_check": _FLEET,
    "settling_record": _FLEET,
    "gauge_check": _FLEET,
    "air_quality": _STATION,
    "compressor_health": _STATION,
    "recall": _STATION,
    "dive_consumption": _DIVES,
    "dive_tank_use": _DIVES,
    "dive_duplicates": _DIVES,
    "tank_suggestions": _DIVES,
    "dive_profile": _DIVES,
    "consumption_trend": _DIVES,
    "dive_reserve": _DIVES,
    "kit_balance": _DIVES,
    "condition_effects": _DIVES | {DIVER: Scope.ALL},
    "reserve_watch": _DIVES,
    "reserve_reliability": {MANAGER: Scope.ALL},
    "people": {OPERATOR: Scope.ALL, MANAGER: Scope.ALL, DIVER: Scope.OWN},
    "rejects": _STATION | {DIVER: Scope.OWN},
    "ingest_files": _STATION | {DIVER: Scope.OWN},
    "notices": _STATION | {DIVER: Scope.OWN},
    "withdrawn": _STATION,
    "hold_releases": _STATION,
    "corrections": _STATION,
    "runs": _STATION,
}

#: columns that name a person or lead to one, emptied for a nameless view
NAMES = ("member_id", "operator", "analysed_by", "owner_id", "held_by", "dive_id", "kept_dive_id", "display_name")


def scope(viewer: Viewer, table: str) -> Scope:
    """How much of a table the viewer may see.

    Raises
    ------
    Refused
        Nothing of it, or the table is not listed.
    """
    if viewer.role == ALONE:
        return Scope.ALL
    granted = GRANTS.get(table, {}).get(viewer.role)
    if granted is None:
        raise Refused(f"The role {viewer.role} does not see {table}.")
    return granted


def may_see(viewer: Viewer, table: str) -> bool:
    """Whether the viewer may see anything of a table."""
    try:
        scope(viewer, table)
    except Refused:
        return False
    return True


_AT_THE_COMPRESSOR = frozenset({ALONE, OPERATOR, MANAGER})
_OF_THE_MANAGER = frozenset({ALONE, MANAGER})
#: what may be logged on the pages → roles that may; who is not named may not
MAY_LOG: dict[str, frozenset[str]] = {
    "stop": _AT_THE_COMPRESSOR,
    "analysis": _AT_THE_COMPRESSOR,
    "settled": _AT_THE_COMPRESSOR,
    "release": _AT_THE_COMPRESSOR,
    "return": _AT_THE_COMPRESSOR,
    "loan": _OF_THE_MANAGER,
    "link": _OF_THE_MANAGER,
    "register": _OF_THE_MANAGER,
    "dismiss": _OF_THE_MANAGER,
    "inspection": _OF_THE_MANAGER,
    "visit": _OF_THE_MANAGER,
    "booking": _OF_THE_MANAGER,
    "air_test": _OF_THE_MANAGER,
    "compressor": _OF_THE_MANAGER,
    "cylinder": _OF_THE_MANAGER,
    "member": _OF_THE_MANAGER,
    "source": _OF_THE_MANAGER,
}


def may_log(viewer: Viewer, kind: str) -> bool:
    """Whether the viewer may log an entry of this kind; on the local network what an operator may, by the code."""
    role = OPERATOR if viewer.role == LOCAL_NETWORK and viewer.code_given else viewer.role
    return role in MAY_LOG.get(kind, frozenset())


#: roles that may hand in files by a page; a diver own dives alone
MAY_HAND_IN = _OF_THE_MANAGER | {DIVER}


def may_hand_in(viewer: Viewer) -> bool:
    """Whether the viewer may hand in a file; that lets nobody log an entry of a form."""
    return viewer.role in MAY_HAND_IN
