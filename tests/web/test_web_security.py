"""Who may ask, and what an answer allows."""

from __future__ import annotations

import re

import pytest
from starlette.testclient import TestClient

from driftwatch.errors import StoreBusy, UsageError
from driftwatch.web.app import make_app
from driftwatch.web.config import PageSettings
from driftwatch.web.security import is_own_host, own_path
from driftwatch.web.signin import MOST_FROM_ALL, MOST_TRIES, WITHIN_SECONDS, Tries
from tests.web.conftest import ADDRESS, words

PASSWORD = "correct horse"


@pytest.mark.parametrize(
    ("host", "own"),
    [
        ("localhost:8712", True),
        ("127.0.0.1:8712", True),
        ("[::1]:8712", True),
        ("LOCALHOST:8712", True),
        ("evil.example:8712", False),
        ("localhost.evil.example:8712", False),
        ("127.0.0.1.evil.example:8712", False),
        ("localhost:9", False),
        ("192.168.1.4:8712", False),
        ("", False),
        ("localhost:x", False),
        ("[::1", False),
    ],
)
def test_only_own_names_are_answered(tmp_path, host, own):
    assert is_own_host(host, PageSettings(tmp_path / "a.duckdb")) is own


def test_a_foreign_name_that_points_here_gets_nothing(reading):
    answer = reading.client.get("/", headers={"host": "evil.example:8712"})
    assert answer.status_code == 400
    assert "unit-" not in answer.text


def test_where_others_may_come_addresses_and_given_names_are_answered(tmp_path):
    told = PageSettings(tmp_path / "a.duckdb", host="0.0.0.0", password=PASSWORD, names=("Office.example",))
    assert is_own_host("192.168.1.4:8712", told)
    assert is_own_host("office.example:8712", told)
    assert not is_own_host("evil.example:8712", told)


@pytest.mark.parametrize(
    ("host", "address"),
    [
        ("127.0.0.1", "http://127.0.0.1:8712/"),
        ("::1", "http://[::1]:8712/"),
        ("0.0.0.0", "http://localhost:8712/"),
        ("::", "http://localhost:8712/"),
        ("192.168.1.4", "http://192.168.1.4:8712/"),
    ],
)
def test_the_address_that_is_told_can_be_opened(tmp_path, host, address):
    assert PageSettings(tmp_path / "a.duckdb", host=host).address == address


@pytest.mark.parametrize("path", ["/", "/unit?name=unit-02", "/nowhere", "/status.json", "/name"])
def test_every_answer_allows_its_own_alone(reading, path):
    headers = reading.client.get(path).headers
    policy = dict(part.strip().split(" ", 1) for part in headers["content-security-policy"].split(";"))
    assert policy["default-src"] == "'none'"
    assert policy["script-src"] == "'self'"
    assert "unsafe" not in headers["content-security-policy"]
    assert policy["frame-ancestors"] == "'none'"
    assert policy["base-uri"] == "'none'"
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["cache-control"] == "no-store"


def writes(client: TestClient) -> list[str]:
    return [r.path for r in client.app.routes if "POST" in r.methods]


def test_no_write_is_done_without_the_token(reading):
    assert writes(reading.client)
    for path in writes(reading.client):
        told = path.replace("{number}", "1").replace("{number:int}", "1")
        for fields in ({}, {"csrf": ""}, {"csrf": "x" * 32}):
            answer = reading.client.post(told, data=fields, follow_redirects=False)
            assert answer.status_code == 403, (told, fields)
            assert "nothing was done" in words(answer.text)


@pytest.mark.parametrize(
    "headers",
    [
        {"origin": "http://evil.example"},
        {"origin": "null"},
        {"sec-fetch-site": "cross-site"},
        {"sec-fetch-site": "same-site"},
    ],
)
def test_no_write_is_done_for_another_site_even_with_the_token(reading, headers):
    answer = reading.client.post("/name", data={"csrf": reading.token, "who": "Mallory"}, headers=headers)
    assert answer.status_code == 403
    assert "Mallory" not in reading.get("/").text


def test_what_is_read_changes_nothing(reading):
    paths = [r.path for r in reading.client.app.routes if r.methods == {"GET", "HEAD"} and "{" not in r.path]
    before = reading.page.settings.db.read_bytes()
    for path in paths:
        reading.client.get(path)
    assert reading.page.settings.db.read_bytes() == before


def test_too_much_is_refused_before_it_is_read(settings):
    small = PageSettings(settings.db, upload_mb=1)
    with TestClient(make_app(small), base_url=ADDRESS) as client:
        answer = client.post("/name", content=b"x" * 1_200_000, headers={"content-type": "text/plain"})
        assert answer.status_code == 413
        assert "1 MB" in answer.text

        def pieces():
            for _ in range(12):
                yield b"x" * 100_000

        # Without a length in its head, it is counted as it comes.
        kind = {"content-type": "application/x-www-form-urlencoded"}
        answer = client.post("/name", content=pieces(), headers=kind)
        assert answer.status_code == 413


@pytest.mark.parametrize(
    "path",
    [
        "/static/", "/static", "/static/x/report.css", "/static/../page.py", "/static/x/..%2f..%2fpage.py",
        "/static/x/%2e%2e/%2e%2e/config.py", "/..%2f..%2fetc%2fpasswd", "/driftwatch.duckdb", "/key",
    ],
)  # fmt: skip
def test_nothing_is_served_but_the_pages_own_files(reading, path):
    assert reading.client.get(path).status_code == 404


def test_the_own_files_are_served_as_what_they_are(reading):
    markup = reading.get("/").text
    for address in set(re.findall(r'"(/static/[^"]+)"', markup)):
        answer = reading.get(address)
        assert "immutable" in answer.headers["cache-control"]
        kind = {"css": "text/css", "js": "text/javascript", "svg": "image/svg+xml"}[address.rsplit(".")[-1]]
        assert answer.headers["content-type"].startswith(kind)


# --- the password -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("host", ["0.0.0.0", "::", "192.168.1.4", "office.example"])
def test_others_may_not_come_without_a_password(tmp_path, host):
    with pytest.raises(UsageError, match="wants a password"):
        make_app(PageSettings(tmp_path / "a.duckdb", host=host))
    with pytest.raises(UsageError, match="shorter than 10"):
        make_app(PageSettings(tmp_path / "a.duckdb", host=host, password="short"))
    assert list(tmp_path.iterdir()) == []


def test_without_the_password_nothing_is_shown(guarded):
    paths = [r.path for r in guarded.app.routes if "GET" in r.methods and "{" not in r.path]
    for path in paths:
        answer = guarded.get(path, follow_redirects=False)
        if path != "/sign-in":
            assert answer.status_code == 303, path
            assert answer.headers["location"].startswith("/sign-in?next=")
        assert "unit-0" not in answer.text
    for path in writes(guarded):
        if path != "/sign-in":
            assert guarded.post(path, data={"csrf": "x"}).status_code == 403


def token(client: TestClient) -> str:
    return re.search(r'name="csrf" value="([^"]+)"', client.get("/sign-in").text)[1]


def sign_in(client: TestClient, password: str, **more: str):
    told = {"csrf": token(client), "password": password, **more}
    return client.post("/sign-in", data=told, follow_redirects=False)


def test_with_it_everything_is_shown_until_one_signs_out(guarded):
    answer = sign_in(guarded, PASSWORD, next="/unit?name=unit-02", who="Ada")
    assert answer.headers["location"] == "/unit?name=unit-02"
    assert "unit-02" in guarded.get("/unit?name=unit-02").text
    stolen = dict(guarded.cookies)
    csrf = re.search(r'name="csrf" value="([^"]+)"', guarded.get("/name").text)[1]
    guarded.post("/sign-out", data={"csrf": csrf})
    assert "unit-02" not in guarded.get("/").text
    guarded.cookies.update(stolen)
    assert "unit-02" not in guarded.get("/").text, "a session that was signed out is let in again"


@pytest.mark.parametrize(
    "to", ["https://evil.example/", "//evil.example", "/\\evil.example", "javascript:x", ""]
)
def test_signing_in_leads_nowhere_else(guarded, to):
    assert sign_in(guarded, PASSWORD, next=to).headers["location"] == "/"
    assert own_path(to) == "/"


def test_a_cookie_that_was_made_up_is_worth_nothing(guarded):
    guarded.cookies.set("driftwatch_8712", "eyJpbiI6IHRydWV9.aaaa.bbbb")
    assert guarded.get("/", follow_redirects=False).status_code == 303


def test_the_password_cannot_be_tried_out(guarded):
    for _ in range(MOST_TRIES):
        assert sign_in(guarded, "wrong").status_code == 403
    answer = sign_in(guarded, PASSWORD)
    assert answer.status_code == 429
    assert 0 < int(answer.headers["retry-after"]) <= WITHIN_SECONDS


def test_tries_are_forgotten_in_time_and_counted_over_all_addresses():
    now = [0.0]
    tries = Tries(lambda: now[0])
    assert [tries.begin("a") for _ in range(MOST_TRIES)] == [0.0] * MOST_TRIES
    assert tries.begin("a") == WITHIN_SECONDS
    now[0] = 100.0
    assert tries.begin("a") == WITHIN_SECONDS - 100.0
    for k in range(MOST_FROM_ALL - MOST_TRIES):
        assert tries.begin(f"b{k}") == 0.0
    assert tries.begin("c") > 0.0
    now[0] = 100.0 + WITHIN_SECONDS + 1
    assert tries.begin("a") == 0.0
    tries.right("a")
    assert [tries.begin("a") for _ in range(MOST_TRIES)] == [0.0] * MOST_TRIES


def test_the_key_and_the_folder_are_the_owners_alone(reading):
    folder = reading.page.folder
    assert folder.path.stat().st_mode & 0o077 == 0
    assert (folder.path / "key").stat().st_mode & 0o077 == 0


def test_another_password_makes_old_sessions_void(tmp_path):
    first = PageSettings(tmp_path / "a.duckdb", password="correct horse").signing_key(b"own")
    assert first != PageSettings(tmp_path / "a.duckdb", password="battery staple").signing_key(b"own")


def test_one_store_has_one_page(settings, visit):
    with pytest.raises(StoreBusy, match="another page is being served"):
        make_app(settings)
