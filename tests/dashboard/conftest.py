"""Snapshots the dashboard's tests look at."""

from functools import cache

import browsing
import made_up
import pytest

from dashboard import parts

try:  # a later streamlit may have it elsewhere, and then looks each time
    from streamlit.components.v2 import manifest_scanner
except ImportError:
    manifest_scanner = None


@pytest.fixture(autouse=True, scope="session")
def components_are_looked_for_once():
    """What is installed stays so: each `AppTest` reads what every package says of itself, 0.2 s of each."""
    with pytest.MonkeyPatch.context() as patch:
        if scan := getattr(manifest_scanner, "scan_component_manifests", None):
            patch.setattr(manifest_scanner, "scan_component_manifests", cache(scan))
        yield


@pytest.fixture(scope="session", autouse=True)
def all_open():
    """Pages that run in the tests' own process are read with every part open; a browser opens them as people do."""
    as_people_do, parts.is_open = parts.is_open, lambda _: True
    yield as_people_do
    parts.is_open = as_people_do


@pytest.fixture(scope="session")
def published(tmp_path_factory):
    folder = tmp_path_factory.mktemp("station") / "published"
    made_up.publish(folder)
    return folder


@pytest.fixture(scope="session")
def published_empty(tmp_path_factory):
    folder = tmp_path_factory.mktemp("new") / "published"
    made_up.publish_empty(folder)
    return folder


@pytest.fixture(scope="session")
def browser():
    sync_api = pytest.importorskip("playwright.sync_api")
    with sync_api.sync_playwright() as play:
        made = browsing.opened(play, sync_api)
        yield made
        made.close()
