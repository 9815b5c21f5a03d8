"""Signing in for real: a browser, the library's login, and an OpenID provider of our own on this machine."""

import pytest
from browsing import SIZES, SOON_AGAIN_S, Watched, port_again, serve
from made_up import BOSS_ADDRESS, MY_ADDRESS

pytest.importorskip("authlib")
openid = pytest.importorskip("openid")
pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def provider():
    made = openid.Provider()
    yield made
    made.close()


@pytest.fixture(scope="module")
def address(published, provider, tmp_path_factory):
    port = port_again()
    secrets = tmp_path_factory.mktemp("station") / "secrets.toml"
    secrets.write_text(
        f"""[auth]
redirect_uri = "http://127.0.0.1:{port}/oauth2callback"
cookie_secret = "of-the-test-alone-0123456789-0123456789"
client_id = "{openid.CLIENT}"
client_secret = "{openid.CLIENT_SECRET}"
server_metadata_url = "{provider.issuer}/.well-known/openid-configuration"
""",
        encoding="utf-8",
    )
    served, where = serve(published, port=port, secrets=secrets, look_again=SOON_AGAIN_S)
    yield where
    served.terminate()
    served.wait(10)


@pytest.fixture
def desk(browser, address):
    made = Watched(browser, SIZES["desk"], address)
    yield made
    made.close()


@pytest.fixture(scope="module")
def unsigned(browser, address):
    """A page that stands open and asks to sign in, for those who then are not signed in."""
    made = Watched(browser, SIZES["desk"], address)
    made.open()
    yield made
    made.close()


def sign_in(desk, provider, flaw="", **person):
    desk.open()
    sign_in_there(desk, provider, flaw, **person)


def sign_in_there(desk, provider, flaw, **person):
    """From the page that stands open."""
    provider.person, provider.flaw = person, flaw
    given = provider.tokens_given
    assert pages(desk) == []
    leave_by(desk, "Sign in")  # there, and back by way of the provider
    assert provider.tokens_given == given + 1


def leave_by(desk, button):
    """Press a button that leaves the page, and wait until the pages are back and still."""
    desk.page.evaluate("window.beforehand = true")
    desk.page.get_by_role("button", name=button).click()
    desk.page.wait_for_function(
        "!window.beforehand && location.pathname === '/' && document.querySelector('[data-testid=stApp]')",
        timeout=60_000,
    )
    desk.settle()


def pages(desk):
    return [link.inner_text() for link in desk.page.locator("[data-testid=stPageLink]").all()]


def text(desk):
    return desk.page.locator("[data-testid=stMain]").inner_text()


def test_nobody_sees_anything_before_signing_in(desk):
    for path in ("", "fleet", "divers", "season?season_of=m-bert", "inbox"):
        desk.open(path)
        if not path:
            desk.check()
        assert pages(desk) == []
        assert "Sign in" in text(desk) and "Anna" not in text(desk) and "T12-1" not in text(desk)


def test_a_diver_signs_in_and_sees_the_own_season_alone_until_signing_out(desk, provider):
    sign_in(desk, provider, sub="1", email=MY_ADDRESS.upper(), email_verified=True)
    assert pages(desk) == ["My season", "Inbox"]
    assert "What you breathe" in text(desk)
    desk.open("season?season_of=m-bert&season_dive=m-bert-d03")
    assert "m-bert" not in text(desk) and "Mallory" not in text(desk)
    desk.open("divers")
    assert "Whose reserves run thin" not in text(desk)
    desk.open()
    leave_by(desk, "Sign out")
    desk.open()
    assert pages(desk) == [] and "What you breathe" not in text(desk)


def test_a_copy_of_the_cookie_opens_nothing_after_signing_out_and_a_new_sign_in_does(desk, provider):
    sign_in(desk, provider, sub="1", email=MY_ADDRESS, email_verified=True)
    copied = [c for c in desk.context.cookies() if c["name"].startswith("_streamlit_user")]
    assert copied and all(c["httpOnly"] and c["sameSite"] in ("Lax", "Strict") for c in copied)
    leave_by(desk, "Sign out")
    desk.context.add_cookies(copied)
    desk.open()
    assert pages(desk) == [] and "ended by signing out" in text(desk)
    leave_by(desk, "Sign out")
    sign_in(desk, provider, sub="1", email=MY_ADDRESS, email_verified=True)
    assert pages(desk) == ["My season", "Inbox"]


def test_a_role_that_is_taken_away_ends_what_stands_open(desk, provider, published):
    sign_in(desk, provider, sub="2", email=BOSS_ADDRESS, email_verified=True)
    assert "Divers" in pages(desk)
    settings = published.parent / "station.toml"
    settings.write_text("[roles]\n", encoding="utf-8")
    try:  # the page itself looks again, without a hand on it
        desk.page.wait_for_function("document.body.innerText.includes('have no role here')", timeout=60_000)
        desk.settle()
        assert pages(desk) == []
        desk.open("divers")
        assert "Whose reserves run thin" not in text(desk)
    finally:
        settings.unlink()


def test_a_manager_signs_in_and_sees_every_page(desk, provider):
    sign_in(desk, provider, sub="2", email=BOSS_ADDRESS, email_verified=True)
    assert pages(desk) == ["Filling", "Today", "Fleet", "Divers", "My season", "Air", "Inbox"]
    desk.turn_to("Divers")
    assert "Whose reserves run thin" in text(desk)
    desk.check()


@pytest.mark.parametrize(
    "person",
    [
        {"sub": "3", "email": "stranger@weir.example", "email_verified": True},
        {"sub": "4", "email": BOSS_ADDRESS, "email_verified": False},
        {"sub": "5", "email": BOSS_ADDRESS},
        {"sub": "6", "email": "stranger@weir.example", "email_verified": True, "roles": ["manager"]},
    ],
)
def test_whoever_has_no_role_sees_nothing_and_is_shown_whom_to_ask(desk, provider, person):
    sign_in(desk, provider, **person)
    assert pages(desk) == []
    assert "have no role here" in text(desk) and "T12-1" not in text(desk)


@pytest.mark.parametrize(
    "flaw", ["tampered", "signed by another", "expired", "for another", "another nonce", "another issuer"]
)
def test_a_token_that_is_not_the_providers_own_and_fresh_signs_nobody_in(unsigned, provider, flaw):
    sign_in_there(unsigned, provider, flaw, sub="2", email=BOSS_ADDRESS, email_verified=True)
    assert pages(unsigned) == []
    assert unsigned.page.get_by_role("button", name="Sign in").count() == 1
    assert not [c for c in unsigned.context.cookies() if c["name"] == "_streamlit_user" and c["value"]]


def test_a_cookie_that_somebody_altered_signs_nobody_in(desk, provider):
    sign_in(desk, provider, sub="1", email=MY_ADDRESS, email_verified=True)
    cookie = next(c for c in desk.context.cookies() if c["name"] == "_streamlit_user")
    middle = len(cookie["value"]) // 2
    letter = "A" if cookie["value"][middle] != "A" else "B"
    altered = cookie["value"][:middle] + letter + cookie["value"][middle + 1 :]
    desk.context.add_cookies([cookie | {"value": altered}])
    desk.open()
    assert pages(desk) == [] and "What you breathe" not in text(desk)


def test_signed_in_too_long_ago_sees_nothing_until_signing_in_again(desk, provider):
    import time

    long_ago = int(time.time()) - 13 * 3600
    sign_in(desk, provider, sub="2", email=BOSS_ADDRESS, email_verified=True, iat=long_ago)
    assert pages(desk) == [] and "Sign out and in again" in text(desk)
