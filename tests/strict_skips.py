"""Where everything a test needs is at hand, a skipped test is a failure.

`COLDFILL_BROWSER=required` says so (CI does): a browser or a library that is missing then fails what needs it.
Tests that a mark leaves out, for a platform or the long simulations, stay left out.
"""

import os

import pytest


def _lacks_something(item: pytest.Item, excinfo: pytest.ExceptionInfo | None) -> bool:
    if os.environ.get("COLDFILL_BROWSER") != "required" or excinfo is None:
        return False
    by_mark = {mark.kwargs.get("reason") for mark in item.iter_markers() if mark.name in ("skip", "skipif")}
    return isinstance(excinfo.value, pytest.skip.Exception) and str(excinfo.value) not in by_mark


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item, call):
    report = yield
    if report.skipped and _lacks_something(item, call.excinfo):
        report.outcome = "failed"
        report.longrepr = f"skipped, though COLDFILL_BROWSER=required: {call.excinfo.value}"
    return report


@pytest.hookimpl(wrapper=True)
def pytest_make_collect_report(collector):
    report = yield
    if report.outcome == "skipped" and os.environ.get("COLDFILL_BROWSER") == "required":
        report.outcome = "failed"
        report.longrepr = f"skipped, though COLDFILL_BROWSER=required: {report.longrepr[-1]}"
    return report
