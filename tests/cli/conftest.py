"""A small invented fleet as files and as a store, and a way to run commands."""

from __future__ import annotations

import shutil
from dataclasses import dataclass
from pathlib import Path

import pytest

from driftwatch.cli.main import run
from tests.small_fleet import write_files


@dataclass(frozen=True)
class Result:
    """What one command gave."""

    code: int
    out: str
    err: str

    @property
    def error(self) -> str:
        """The one line that an error is."""
        lines = self.err.strip().splitlines()
        assert len(lines) == 1, self.err
        assert "Traceback" not in self.err
        assert lines[0].startswith("driftwatch: ")
        assert "a fault in the program" not in lines[0]
        return lines[0]


@pytest.fixture(scope="session")
def files(tmp_path_factory) -> Path:
    """Give a folder with units.csv, snapshots.csv and events.csv."""
    return write_files(tmp_path_factory.mktemp("files"))


@pytest.fixture(scope="session")
def whole_store(files, tmp_path_factory) -> Path:
    """Give a store that holds the fleet; to be copied, not changed."""
    path = tmp_path_factory.mktemp("store") / "fleet.duckdb"
    names = [str(files / f"{name}.csv") for name in ("events", "snapshots", "units")]
    assert run(["--db", str(path), "import", *names]) == 0
    return path


@pytest.fixture
def store(whole_store, tmp_path) -> Path:
    """Give a copy of the store, free to be changed."""
    path = tmp_path / "fleet.duckdb"
    shutil.copyfile(whole_store, path)
    return path


@pytest.fixture
def cli(capsys, tmp_path, monkeypatch):
    """Give a function that runs one command in an empty folder of its own."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("DRIFTWATCH_DB", raising=False)

    def call(*args: object, db: Path | None = None) -> Result:
        capsys.readouterr()
        front = [] if db is None else ["--db", str(db)]
        code = run([*front, *map(str, args)])
        shown = capsys.readouterr()
        return Result(code, shown.out, shown.err)

    return call
