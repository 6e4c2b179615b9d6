"""A served page over a small invented fleet, and a visitor who reads and fills in its forms."""

from __future__ import annotations

import html
import re
import shutil
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import pytest
from starlette.testclient import TestClient

import driftwatch
from driftwatch.web.app import make_app
from driftwatch.web.config import PageSettings
from tests.small_fleet import write_files

ADDRESS = "http://localhost:8712"


class Visitor:
    """A browser without a window: keeps its cookies, and sends the token of the form it looks at."""

    def __init__(self, client: TestClient) -> None:
        self.client = client
        self.page = client.app.state.page

    def get(self, path: str, status: int = 200, **query: object):
        answer = self.client.get(path, params=query or None)
        assert answer.status_code == status, answer.text
        return answer

    def text(self, path: str, status: int = 200, **query: object) -> str:
        """What the page says, without its markup."""
        return words(self.get(path, status, **query).text)

    @property
    def token(self) -> str:
        found = re.search(r'name="csrf" value="([^"]+)"', self.client.get("/name").text)
        assert found
        return found[1]

    def post(self, path: str, status: int = 200, files=None, **fields: object):
        """Send a form, and follow to the page that shows what came of it."""
        told = {"csrf": self.token, **fields}
        answer = self.client.post(path, data=told, files=files)
        assert answer.status_code == status, words(answer.text)
        return answer

    def assessed(self, seconds: float = 30.0, **query: object) -> None:
        """Wait until what is said is that of the store as it is now."""
        until = time.monotonic() + seconds
        while not self.client.get("/status.json", params=query or None).json()["fresh"]:
            assert time.monotonic() < until, "the assessment does not come"
            time.sleep(0.05)

    def done(self, number: int | None = None, seconds: float = 60.0):
        """Wait for a job (the newest that is shown), and give it."""
        jobs = self.page.jobs
        if number is None:
            number = next(j.id for j in jobs.newest() if j.kind != "assess")
        job = jobs.wait(number, seconds)
        assert job.is_over, job
        return job


@contextmanager
def somebody_writing(path: Path) -> Iterator[None]:
    """Another process that has the store open to write."""
    code = (
        "import sys, driftwatch\n"
        "with driftwatch.open(sys.argv[1]):\n"
        "    print('open', flush=True)\n"
        "    sys.stdin.read()"
    )
    command = [sys.executable, "-c", code, str(path)]
    process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE)
    try:
        assert process.stdout.readline() == b"open\n"
        yield
    finally:
        process.stdin.close()
        process.wait(10)
        process.stdout.close()


def words(markup: str) -> str:
    """Give the text of a page, blanks folded."""
    bare = re.sub(r"<(script|style)\b.*?</\1>", " ", markup, flags=re.DOTALL)
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", bare)).split())


@pytest.fixture(scope="session")
def files(tmp_path_factory) -> Path:
    """A folder with units.csv, snapshots.csv and events.csv."""
    return write_files(tmp_path_factory.mktemp("files"))


@pytest.fixture(scope="session")
def whole_store(files, tmp_path_factory) -> Path:
    """A store that holds the fleet; to be copied, not changed."""
    path = tmp_path_factory.mktemp("store") / "fleet.duckdb"
    with driftwatch.open(path, create=True) as store:
        store.import_files([files])
    return path


@pytest.fixture
def settings(whole_store, tmp_path) -> PageSettings:
    """Over a copy of the store, free to be changed."""
    path = tmp_path / "fleet.duckdb"
    shutil.copyfile(whole_store, path)
    return PageSettings(path, by="Ada Example", wait=2.0)


@pytest.fixture
def visit(settings) -> Iterator[Visitor]:
    """A visitor to the page of a store of their own."""
    with TestClient(make_app(settings), base_url=ADDRESS) as client:
        yield Visitor(client)


@pytest.fixture(scope="module")
def reading(whole_store, tmp_path_factory) -> Iterator[Visitor]:
    """A visitor to an assessed page that nobody writes on."""
    path = tmp_path_factory.mktemp("page") / "fleet.duckdb"
    shutil.copyfile(whole_store, path)
    with TestClient(make_app(PageSettings(path)), base_url=ADDRESS) as client:
        visitor = Visitor(client)
        visitor.assessed()
        yield visitor


@pytest.fixture
def empty(tmp_path) -> Iterator[Visitor]:
    """A visitor to a page without a store."""
    with TestClient(make_app(PageSettings(tmp_path / "new.duckdb")), base_url=ADDRESS) as client:
        yield Visitor(client)


@pytest.fixture
def guarded(settings) -> Iterator[TestClient]:
    """The page of a store that wants a password and can be reached from elsewhere."""
    told = replace(settings, host="0.0.0.0", password="correct horse", names=("office.example",))
    with TestClient(make_app(told), base_url=ADDRESS) as client:
        yield client
