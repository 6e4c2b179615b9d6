"""Whatever is asked or sent, the page answers with a page or a line, never with a fault of the program."""

from __future__ import annotations

import json
import shutil

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from starlette.testclient import TestClient

from driftwatch.web.app import make_app
from driftwatch.web.config import PageSettings
from tests.web.conftest import ADDRESS, Visitor

#: What may be in an address or a form, near to what is meant.
NEAR = (
    "0", "1", "-1", "unit-02", "UNIT-02", "E0001", "2025-01-01", "2025-13-40", "9999-12-31",
    "0001-01-01", "2099-01-01", "12:00", "25:99", "units", "work", "plan", "name", "snapshots",
    "events", "review", "explain", "generic-6", "NaN", "inf", "1e400", "-0", "1,5", "../../x", "%",
    "N.m", "fluid", "keep", "draft",
)  # fmt: skip
WORDS = st.one_of(
    st.sampled_from(NEAR),
    st.sampled_from(["", "\x00", "\u202e", "a\nb"]),
    st.text(max_size=30),
    st.integers().map(str),
)
READ = (
    "/", "/find", "/status.json", "/unit", "/unit/readings", "/unit/history", "/unit/details", "/log",
    "/log/entry", "/reports", "/reports/1", "/reports/1/x.html", "/take-in", "/take-in/1",
    "/take-in/1/columns", "/take-in/quarantine", "/take-in/quarantine/row", "/take-in/sheet",
    "/take-in/sheet.xlsx", "/take-in/unit", "/profiles", "/profiles/view", "/profiles/file",
    "/profiles/edit", "/jobs", "/jobs/1", "/jobs/1/progress.json", "/name", "/sign-in",
)  # fmt: skip
QUERY = (
    "as_of", "q", "name", "unit", "id", "page", "from", "to", "show", "sort", "urgency", "state",
    "site", "of", "code", "file", "all", "system", "next", "day", "kind",
)  # fmt: skip
WRITE = (
    "/log", "/log/entry", "/log/retract", "/reports", "/take-in", "/take-in/1", "/take-in/1/units",
    "/take-in/1/columns", "/take-in/quarantine", "/take-in/quarantine/row", "/take-in/sheet",
    "/take-in/unit", "/unit/details", "/unit/odometer", "/profiles", "/profiles/edit", "/profiles/move",
    "/jobs/1/cancel", "/name",
)  # fmt: skip
FIELDS = (
    "value clutch_volume pack3", "learns 1-2 tow", "unit", "kind", "day", "time", "amount",
    "amount_unit", "note", "reason", "month", "event", "as_of", "profile", "site", "in_service_on",
    "was", "reads", "measure", "odometer", "odometer_unit", "temp", "sure", "column", "text", "do",
    "name", "from", "who", "next", "what-0", "channel-0", "mode-0", "unit-0", "decimal", "files",
)  # fmt: skip
#: Answers that say what is so, or what is wrong; anything else would be a fault.
SAID = (200, 303, 400, 404, 405)
quick = settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])


@quick
@given(path=st.sampled_from(READ), query=st.dictionaries(st.sampled_from(QUERY), WORDS, max_size=4))
def test_any_address_is_answered(reading, path, query):
    answer = reading.client.get(path, params=query, follow_redirects=False)
    assert answer.status_code in SAID, answer.text
    assert "A fault in the program" not in answer.text
    if path.endswith(".json") and answer.status_code == 200:
        told = json.loads(answer.text)
        assert set(told) in ({"busy", "fresh", "assessing"}, {"state", "doing", "done", "total", "over"})


@pytest.fixture(scope="module")
def written(whole_store, tmp_path_factory):
    """A page that may be written to by many examples, with the token of its visitor."""
    path = tmp_path_factory.mktemp("written") / "fleet.duckdb"
    shutil.copyfile(whole_store, path)
    with TestClient(make_app(PageSettings(path)), base_url=ADDRESS) as client:
        visitor = Visitor(client)
        yield visitor, visitor.token


@settings(parent=quick, max_examples=80)
@given(
    path=st.sampled_from(WRITE),
    query=st.dictionaries(st.sampled_from(("name", "id", "file", "code", "unit")), WORDS, max_size=2),
    fields=st.dictionaries(st.sampled_from(FIELDS), WORDS, max_size=8),
)
def test_any_form_is_answered(written, path, query, fields):
    visitor, token = written
    told = {**fields, "csrf": token}
    answer = visitor.client.post(path, params=query, data=told, follow_redirects=False)
    assert answer.status_code in SAID, answer.text
    assert "A fault in the program" not in answer.text
