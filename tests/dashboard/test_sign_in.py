"""Whoever signs in sees what the role allows; whoever has no role, no verified address or a false token, nothing."""

import time
from pathlib import Path
from types import SimpleNamespace

import pandas as pd
import pytest
from made_up import ME, OTHER

from dashboard import app, code_door, sign_in, signed_out
from dashboard.access import Refused
from dashboard.sign_in import verified_address, viewer_of
from schemas.logins import address_hash, hashed_roles, member_logins, roles_of

NOW = 1_900_000_000.0
MEMBERS = pd.DataFrame(
    {
        "member_id": [ME, OTHER, "m-c", "m-d"],
        "email": ["Anna@Weir.example", "bert@weir.example", "shared@weir.example", "shared@weir.example"],
    }
)
LOGINS = member_logins(MEMBERS)
ROLES = hashed_roles(
    {
        "anna@weir.example": "diver",
        "boss@weir.example": "manager",
        "subject-7": "operator",
        "shared@weir.example": "diver",
    }
)


def claims(address: str = "", **more):
    claims = {"sub": "subject-1", "iat": NOW - 60, "email": address, "email_verified": True}
    return claims | more


def ask(claims, roles=ROLES, claim=""):
    viewer = viewer_of(claims, roles, claim, LOGINS, NOW)
    return viewer.role, viewer.member_id


def test_no_address_stands_in_clear_in_what_is_published():
    claims = str(ROLES) + LOGINS.to_string()
    for address in [*MEMBERS["email"], "weir"]:
        assert address.casefold() not in claims.casefold()


def test_a_diver_is_joined_to_the_own_member_whatever_the_capitals():
    assert ask(claims("ANNA@weir.example")) == ("diver", ME)


def test_signed_in_for_twelve_hours_and_no_longer():
    assert ask(claims("boss@weir.example", iat=NOW - 12 * 3600 + 1)) == ("manager", None)
    with pytest.raises(Refused, match="too long ago"):
        ask(claims("boss@weir.example", iat=NOW - 12 * 3600 - 1))


def test_a_role_by_list_by_subject_and_by_claim():
    assert ask(claims("boss@weir.example")) == ("manager", None)
    assert ask(claims(sub="subject-7")) == ("operator", None)
    assert ask(claims("bert@weir.example", groups=["diver", "choir"]), claim="groups") == ("diver", OTHER)
    assert ask(claims("bert@weir.example", groups="manager"), claim="groups") == ("manager", OTHER)
    many = claims("anna@weir.example", groups=["operator", "manager"])  # and diver, by the list: the widest counts
    assert ask(many, claim="groups") == ("manager", ME)
    assert ask(many | {"groups": ["operator"]}, claim="groups") == ("operator", ME)


@pytest.mark.parametrize(
    "claims",
    [
        claims("nobody@weir.example"),
        claims("bert@weir.example"),  # a member without a role
        claims("boss@weir.example", email_verified=False),
        claims("boss@weir.example", email_verified="no"),
        {"sub": "x", "iat": NOW, "email": "boss@weir.example"},  # nothing says it was verified
        claims("shared@weir.example"),  # two members, so neither
        claims("nobody@weir.example", groups=["manager"]),  # a claim that the station does not go by
        claims("nobody@weir.example", email=["boss@weir.example"]),
        claims(""),
        claims("boss@weir.example", iat=NOW - 12 * 3600 - 1),
        claims("boss@weir.example", iat=NOW + 3600),
        claims("boss@weir.example", iat=None),
        claims("boss@weir.example", iat="1900000000"),
        {},
    ],
)
def test_whoever_is_not_surely_somebody_with_a_role_sees_nothing(claims):
    with pytest.raises(Refused):
        ask(claims)


@pytest.mark.parametrize("value", ["alone", "local_network", "admin", ["alone"], {"manager": True}, 1, None])
def test_a_claim_gives_none_but_the_three_roles(value):
    with pytest.raises(Refused):
        ask(claims("nobody@weir.example", groups=value), claim="groups")


def test_a_subject_that_looks_like_an_address_is_no_address():
    assert verified_address({"sub": "anna@weir.example", "email_verified": True}) == ""
    with pytest.raises(Refused):
        ask(claims(sub="boss@weir.example"))


def test_hashes_of_members_cannot_be_read_as_roles_nor_of_one_member_as_another():
    both = member_logins(pd.DataFrame({"member_id": [ME], "email": ["boss@weir.example"]}))
    assert both["address_hash"].iloc[0] not in ROLES
    assert member_logins(MEMBERS)["member_id"].tolist() == [ME, OTHER]
    # were an address that two share published all the same, it would say of neither who it is
    two = pd.DataFrame({"member_id": [ME, OTHER]})
    two["address_hash"] = [address_hash(m, "boss@weir.example") for m in two["member_id"]]
    assert viewer_of(claims("boss@weir.example"), ROLES, "", two, NOW).member_id is None


# --- one stated normalisation, and roles where they stand --------------------------------------
@pytest.mark.parametrize(
    "address", ["bo\u017fs@weir.example", "boss@weir.example\u00ad", "boß@weir.example", "b oss@weir.example"]
)
def test_an_address_that_only_looks_alike_is_another(address):
    with pytest.raises(Refused):
        ask(claims(address))


def test_addresses_are_compared_without_blanks_around_and_a_to_z_in_one_case():
    assert ask(claims(" BOSS@Weir.Example ")) == ("manager", None)
    assert ask(claims("bo\u00c4s@weir.example"), hashed_roles({"bo\u00c4s@weir.example": "manager"}))[0] == "manager"
    with pytest.raises(Refused):
        ask(claims("bo\u00e4s@weir.example"), hashed_roles({"bo\u00c4s@weir.example": "manager"}))


@pytest.mark.parametrize("subject", ["Subject-7", " subject-7", "subject-7 ", 7, ["subject-7"]])
def test_a_subject_is_compared_exactly(subject):
    with pytest.raises(Refused):
        ask(claims(sub=subject))


def test_roles_are_read_from_the_settings_at_each_sign_in(tmp_path):
    settings = tmp_path / "station.toml"
    assert roles_of(settings) is None
    settings.write_text('[roles]\nmanager = ["Boss@weir.example"]\noperator = ["Subject-7"]\nclaim = "groups"\n')
    roles, claim = roles_of(settings)
    assert claim == "groups"
    assert ask(claims("boss@weir.example"), roles) == ("manager", None)
    assert ask(claims(sub="Subject-7"), roles) == ("operator", None)
    settings.write_text("[roles]\nmanager = []\n")
    with pytest.raises(Refused):
        ask(claims("boss@weir.example"), roles_of(settings)[0])


@pytest.mark.parametrize(
    "text",
    ["[roles", "roles = 7", "[roles]\nmanager = [7]", '[roles]\nmanager = ["b@x.example"]\ndiver = ["B@x.example"]'],
)
def test_settings_that_cannot_be_read_give_nobody_a_role(tmp_path, text):
    (tmp_path / "station.toml").write_text(text)
    assert roles_of(tmp_path / "station.toml") == ({}, "")


@pytest.mark.parametrize("text", ["", '[roles]\nmanager = ["boss@weir.example"]', "[roles"])
def test_a_role_that_an_earlier_version_published_does_not_outlive_its_being_taken_away(tmp_path, monkeypatch, text):
    """The snapshot still gives anna the manager's role; the settings no longer do, or cannot be read."""
    (tmp_path / "station.toml").write_text(text)
    facts = {"roles": hashed_roles({"anna@weir.example": "manager"})}
    monkeypatch.setattr(sign_in, "sign_in_facts", lambda _: (facts, member_logins(MEMBERS)))
    anna = claims("anna@weir.example", iat=time.time())
    with pytest.raises(Refused):
        sign_in.viewer_for(tmp_path / "published", anna)
    (tmp_path / "station.toml").unlink()  # a copy of what was published, from before roles stood in the settings
    assert sign_in.viewer_for(tmp_path / "published", anna).role == "manager"


def options(*more):
    return app.asked(["--published", "published", *more])


@pytest.mark.parametrize(
    ("given", "role"),
    [((), "alone"), (("--role", "operator"), "operator"), (("--role", "diver", "--member", ME), "diver")],
)
def test_without_sign_in_the_pages_are_shown_as_they_were_started(given, role):
    viewer = app.viewer_of(options(*given))
    assert (viewer.role, viewer.member_id) == (role, ME if role == "diver" else None)


def test_pages_that_stand_open_look_again_every_twenty_seconds_unless_asked_otherwise():
    """What a role that is taken away rests on; tests with a browser ask for less."""
    assert options().look_again == 20
    assert options("--look-again", "2").look_again == 2


@pytest.mark.parametrize("more", [(), ("--role", "manager")])
def test_with_sign_in_nobody_comes_in_who_has_not_signed_in(monkeypatch, more):
    monkeypatch.setattr(app, "st", SimpleNamespace(user=SimpleNamespace(is_logged_in=False)))
    assert app.viewer_of(options("--sign-in", *more)) is None


@pytest.mark.parametrize(
    ("code", "hours_ago", "holds"),
    [("now", 0.0, True), ("now", 11.99, True), ("now", 12.01, False), ("now", -1.0, False), ("before", 1.0, False),
     ("", 1.0, False)],
)  # fmt: skip
def test_a_station_code_that_was_given_holds_for_twelve_hours_while_it_is_the_code(monkeypatch, code, hours_ago, holds):
    monkeypatch.setattr(code_door, "code_version", lambda _: "now" if code else "")
    session = {code_door._GIVEN: (code, time.time() - 3600 * hours_ago)}
    monkeypatch.setattr(code_door, "st", SimpleNamespace(session_state=session))
    assert code_door.given(Path("published")) is holds


def test_signing_out_ends_that_sign_in_alone_also_once_the_pages_were_started_anew(tmp_path, monkeypatch):
    first, second = ({"sub": "1", "iat": NOW - 60, "nonce": nonce} for nonce in "ab")
    sign_in.end(tmp_path / "published", first, NOW)
    monkeypatch.setattr(signed_out, "_held", {})  # as a new process knows it
    ended = signed_out.ended(tmp_path)
    with pytest.raises(Refused, match="ended by signing out"):
        viewer_of(first, {}, "", LOGINS, NOW, ended)
    with pytest.raises(Refused, match="no role"):
        viewer_of(second, {}, "", LOGINS, NOW, ended)
    place = tmp_path / signed_out.PLACE
    assert place.stat().st_mode & 0o077 == 0 and "nonce" not in place.read_text()
    sign_in.end(tmp_path / "published", second, NOW + 13 * 3600)
    assert list(signed_out.ended(tmp_path)) == [sign_in.token(second)], "the first is too old for its cookie to count"


def test_the_way_out_ends_the_sign_in_before_the_browser_is_told(tmp_path, monkeypatch):
    """Else a copy of the cookie would still open the pages."""
    ended: list[bool] = []
    user = SimpleNamespace(to_dict=lambda: {"sub": "1", "iat": NOW, "nonce": "c"})
    token = sign_in.token(user.to_dict())
    out = SimpleNamespace(user=user, logout=lambda: ended.append(token in signed_out.ended(tmp_path)))
    monkeypatch.setattr(app, "st", out)
    monkeypatch.setattr(time, "time", lambda: NOW + 60.0)
    app._sign_out(tmp_path / "published")
    assert ended == [True]


def test_two_pages_of_one_station_know_of_each_others_ends(tmp_path):
    sign_in.end(tmp_path / "published", {"sub": "1"}, NOW)
    assert len(signed_out.ended(tmp_path)) == 1
    place = tmp_path / signed_out.PLACE
    place.write_text(place.read_text() + f"of-another-process {NOW}\n")
    assert len(signed_out.ended(tmp_path)) == 2


def test_on_a_full_disk_signing_out_holds_while_the_pages_are_served(tmp_path, monkeypatch):
    def full(*_, **__):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(signed_out, "_unwritten", {})
    monkeypatch.setattr(signed_out.os, "replace", full)
    sign_in.end(tmp_path / "published", {"sub": "1"}, NOW)
    assert list(signed_out.ended(tmp_path)) == [sign_in.token({"sub": "1"})]


def test_where_the_list_of_those_who_signed_out_cannot_be_read_nobody_comes_in(tmp_path):
    (tmp_path / signed_out.PLACE).mkdir(parents=True)
    with pytest.raises(Refused, match="cannot be read"):
        sign_in.viewer_for(tmp_path / "published", claims("anna@weir.example"))
