"""Addresses for signing in, published as hashes: a snapshot is to name nobody's address.

A hash hides an address from whoever looks into a snapshot; whoever already guesses the address can check the
guess. What admits a person is the provider's signature, never knowledge of a hash.
"""

import hashlib
import string
import tomllib
from collections.abc import Iterable, Mapping
from pathlib import Path

import pandas as pd

SIGN_IN_ROLES = ("operator", "manager", "diver")
COLUMNS = ("member_id", "address_hash")
#: stands before the addresses of `[roles]`, as a member_id before a member's, so that no two hashes compare
OF_ROLES = "[roles]"


#: A to Z alone: a wider folding makes one address of two (a Kelvin sign is no K, a long s no S)
_LOWER = str.maketrans(string.ascii_uppercase, string.ascii_lowercase)


def normal_address(name: str) -> str:
    """An address as it is compared: without blanks around it, A to Z in lower case, everything else as it is.

    A name without an @ is a subject of the provider, and is compared exactly as it is.
    """
    return name.strip().translate(_LOWER) if "@" in name else name


def address_hash(owner: str, address: str) -> str:
    """SHA-256 of an address or subject as it is compared, salted with whom it belongs to."""
    return hashlib.sha256(f"{owner}\n{normal_address(address)}".encode()).hexdigest()


def hashed_roles(people: Mapping[str, str]) -> dict[str, str]:
    """Roles by hashed address or subject."""
    return {address_hash(OF_ROLES, address): role for address, role in people.items()}


def roles_of(settings: Path) -> tuple[dict[str, str], str] | None:
    """Roles by hashed address or subject, and the claim that holds roles, as station.toml says at this moment.

    So taking a role away works at once. None where there is no such file; nobody has a role where it cannot be read.
    """
    try:
        roles = tomllib.loads(settings.read_text(encoding="utf-8")).get("roles", {})
        lists = {role: roles.get(role, []) for role in SIGN_IN_ROLES}
        people = [(p, r) for r, named in lists.items() for p in ([named] if isinstance(named, str) else named)]
        if len({normal_address(p) for p, _ in people}) < len(people):  # two roles for one person
            return {}, ""
        return hashed_roles(dict(people)), str(roles.get("claim", ""))
    except FileNotFoundError:
        return None
    except (OSError, ValueError, TypeError, AttributeError):
        return {}, ""


def member_logins(members: pd.DataFrame) -> pd.DataFrame:
    """The working table `member_logins`; an address that two members share joins neither.

    Parameters
    ----------
    members : DataFrame
        Columns member_id and email.
    """
    addressed = members.dropna(subset=["email"])
    address = addressed["email"].map(normal_address).astype("str")
    addressed = addressed[~address.duplicated(keep=False) & (address != "")]
    hashed = [address_hash(m, e) for m, e in zip(addressed["member_id"], addressed["email"], strict=True)]
    made = pd.DataFrame({"member_id": addressed["member_id"].to_numpy(object), "address_hash": hashed})
    return made.astype({"member_id": "str", "address_hash": "str"})


def members_with(address: str, member_ids: Iterable[str], hashes: Iterable[str]) -> list[str]:
    """Members whose address this is."""
    return [m for m, h in zip(member_ids, hashes, strict=True) if address_hash(m, address) == h]
