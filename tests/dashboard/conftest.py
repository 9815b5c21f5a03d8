"""Snapshots the dashboard's tests look at."""

import browsing
import made_up
import pytest


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
