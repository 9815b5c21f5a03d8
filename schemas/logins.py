"""Addresses for signing in, published as hashes: a snapshot is to name nobody's address.

A hash hides an address from whoever looks into a snapshot; whoever already guesses the address can check the
guess. What admits a person is the provider's signature, never knowledge of a hash.
"""

import hashlib
from collections.abc import Iterable, Mapping

import pandas as pd

SIGN_IN_ROLES = ("operator", "manager", "diver")
COLUMNS = ("member_id", "address_hash")
#: stands before the addresses of `[roles]`, as a member_id before a member's, so that no two hashes compare
OF_ROLES = "[roles]"


def address_hash(owner: str, address: str) -> str:
    """SHA-256 of an address in lower case, salted with whom it belongs to."""
    return hashlib.sha256(f"{owner}\n{address.strip().casefold()}".encode()).hexdigest()


def hashed_roles(people: Mapping[str, str]) -> dict[str, str]:
    """Roles by hashed address or subject, for the manifest."""
    return {address_hash(OF_ROLES, address): role for address, role in people.items()}


def member_logins(members: pd.DataFrame) -> pd.DataFrame:
    """The working table `member_logins`; an address that two members share joins neither.

    Parameters
    ----------
    members : DataFrame
        Columns member_id and email.
    """
    told = members.dropna(subset=["email"])
    address = told["email"].str.strip().str.casefold()
    told = told[~address.duplicated(keep=False) & (address != "")]
    hashed = [address_hash(m, e) for m, e in zip(told["member_id"], told["email"], strict=True)]
    made = pd.DataFrame({"member_id": told["member_id"].to_numpy(object), "address_hash": hashed})
    return made.astype({"member_id": "str", "address_hash": "str"})


def members_with(address: str, member_ids: Iterable[str], hashes: Iterable[str]) -> list[str]:
    """Members whose address this is."""
    return [m for m, h in zip(member_ids, hashes, strict=True) if address_hash(m, address) == h]
