"""The page as it is really served: by a process of its own, asked over the network."""

from __future__ import annotations

import contextlib
import os
import re
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import httpx2


@dataclass(frozen=True)
class Served:
    """A running page.

    Attributes
    ----------
    address : str
        Without a slash at its end.
    process : Popen

    """

    address: str
    process: subprocess.Popen

    def client(self) -> httpx2.Client:
        """A browser without a window."""
        return httpx2.Client(base_url=self.address, follow_redirects=True, timeout=30)

    def kill(self) -> None:
        """End it at once, as a power cut would."""
        os.kill(self.process.pid, signal.SIGKILL)
        self.process.wait(10)


def free_port() -> int:
    """Give a port that nobody listens on."""
    with socket.socket() as found:
        found.bind(("127.0.0.1", 0))
        return int(found.getsockname()[1])


@contextlib.contextmanager
def served(db: Path, *options: str, port: int | None = None) -> Iterator[Served]:
    """Serve the page of a store."""
    command = [sys.executable, "-m", "driftwatch", "--db", str(db), "--by", "Ada Example", "serve"]
    command += ["--port", str(port or free_port()), *options]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    try:
        line = process.stdout.readline()
        found = re.search(r"(http://\S+)/$", line.strip())
        assert found, line + process.stderr.read()
        yield Served(found[1], process)
    finally:
        if process.poll() is None:
            process.terminate()
        process.wait(20)
        process.stdout.close()
        process.stderr.close()


def token(client: httpx2.Client) -> str:
    """Give the token of the client's session."""
    return re.search(r'name="csrf" value="([^"]+)"', client.get("/name").text)[1]


def until(condition, seconds: float = 30.0, what: str = "it does not come") -> None:
    """Wait for something to become true."""
    end = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < end, what
        time.sleep(0.02)
