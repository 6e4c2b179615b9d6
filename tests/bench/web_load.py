"""How fast the page answers while many people read, and whether its memory is steady.

    python -m tests.bench.web_load [--units 500] [--users 50] [--seconds 60] [--pause 1.0]
        [--store FILE] [--writing]

A fleet of the other world is made (36 snapshots a unit, 85 cells each), imported, and served by
`driftwatch serve`. When it has been assessed, so many users read for so long: each looks at the fleet,
narrows it, looks at units, their readings and history, at the log and the other pages, in an order of their
own, and pauses between two pages as somebody who reads very fast would. With `--writing`, an import of all
readings goes on meanwhile. `--store` names a store that is there already, or where to keep the one that is
made. The users run in one process beside the server, so both share the processors. Nothing is asserted.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import random
import re
import shutil
import socket
import statistics
import subprocess
import sys
import tempfile
import time
from collections import defaultdict
from pathlib import Path
from urllib.parse import quote

import driftwatch
from tests.bench.speed import fleet_of

#: What is promised: this share of answers within so many seconds.
SHARE, WITHIN = 0.95, 0.3


def make_store(path: Path, folder: Path, units: int) -> None:
    """Simulate a fleet and import it."""
    fleet = fleet_of("generic-6", units, 1)
    with driftwatch.open(path, create=True) as store:
        for name in ("units", "snapshots", "events"):
            file = folder / f"{name}.csv"
            getattr(fleet, name).to_csv(file, index=False)
            store.import_file(file, kind=name)


class Client:
    """One user's connection: plain HTTP, kept open, with the cookie that came."""

    def __init__(self, port: int) -> None:
        self._port, self._cookie = port, ""
        self._pair: tuple[asyncio.StreamReader, asyncio.StreamWriter] | None = None

    async def get(self, path: str) -> tuple[int, bytes]:
        """Ask for a page; give status and body."""
        if self._pair is None:
            self._pair = await asyncio.open_connection("127.0.0.1", self._port)
        reader, writer = self._pair
        cookie = f"cookie: {self._cookie}\r\n" if self._cookie else ""
        writer.write(f"GET {path} HTTP/1.1\r\nhost: 127.0.0.1:{self._port}\r\n{cookie}\r\n".encode())
        head = (await reader.readuntil(b"\r\n\r\n")).decode("latin-1")
        length = int(re.search(r"(?im)^content-length: (\d+)", head)[1])
        found = re.search(r"(?im)^set-cookie: ([^;]+)", head)
        self._cookie = found[1] if found else self._cookie
        body = await reader.readexactly(length)
        if "connection: close" in head.lower():
            writer.close()
            self._pair = None
        return int(head.split(" ", 2)[1]), body

    def close(self) -> None:
        """Hang up."""
        if self._pair is not None:
            self._pair[1].close()


def walk(units: list[str], dice: random.Random) -> list[tuple[str, str]]:
    """Give one user's pages, in order: what it is, and its address."""
    pages = []
    for _ in range(8):
        unit = quote(dice.choice(units))
        pages += [
            ("fleet", "/"),
            ("fleet, narrowed", f"/?show=units&sort=unit&page={dice.randint(1, 9)}"),
            ("fleet, narrowed", f"/?urgency={dice.choice(['now', 'inspect', 'plan', 'watch', 'read'])}"),
            ("unit", f"/unit?name={unit}"),
            ("readings", f"/unit/readings?name={unit}"),
            ("history", f"/unit/history?name={unit}"),
            ("unit", f"/unit?name={quote(dice.choice(units))}"),
            ("log", "/log"),
            ("other", dice.choice(["/reports", "/take-in", "/profiles", f"/take-in/sheet?name={unit}"])),
        ]
    return pages


async def read(
    port: int, units: list[str], args: argparse.Namespace, taken: dict[str, list[float]], pid: int
) -> tuple[list[str], list[float]]:
    """Let all users read; give what went wrong, and the server's memory at six times in between."""
    until = time.monotonic() + args.seconds
    wrong: list[str] = []
    memory: list[float] = []

    async def user(number: int) -> None:
        dice, client = random.Random(number), Client(port)
        pages = walk(units, dice)
        await asyncio.sleep(dice.uniform(0, args.pause))
        k = dice.randrange(len(pages))
        while time.monotonic() < until:
            what, path = pages[k % len(pages)]
            k += 1
            start = time.monotonic()
            try:
                status, body = await client.get(path)
                if status != 200 or b"</html>" not in body:
                    wrong.append(f"{path}: {status}")
            except (OSError, asyncio.IncompleteReadError) as error:
                wrong.append(f"{path}: {error!r}")
            taken[what].append(time.monotonic() - start)
            await asyncio.sleep(dice.uniform(0.5, 1.5) * args.pause)
        client.close()

    async def weigh() -> None:
        for _ in range(6):
            await asyncio.sleep(args.seconds / 6)
            memory.append(memory_mb(pid))

    await asyncio.gather(weigh(), *(user(k) for k in range(args.users)))
    return wrong, memory


def memory_mb(pid: int) -> float:
    """Give the resident memory of a process."""
    text = Path(f"/proc/{pid}/status").read_text()
    return int(re.search(r"VmRSS:\s+(\d+)", text)[1]) / 1000


def free_port() -> int:
    """Give a port that nobody listens on."""
    with socket.socket() as found:
        found.bind(("127.0.0.1", 0))
        return int(found.getsockname()[1])


async def assessed(port: int) -> float:
    """Wait until the fleet has been assessed; give the seconds that took."""
    start, client = time.monotonic(), Client(port)
    while b'"fresh":true' not in (await client.get("/status.json"))[1]:
        await asyncio.sleep(0.5)
    client.close()
    return time.monotonic() - start


def quantile(values: list[float], share: float) -> float:
    """Give the value that this share of the others does not exceed."""
    return sorted(values)[min(int(share * len(values)), len(values) - 1)]


@contextlib.contextmanager
def served(path: Path, port: int):
    """Serve the page of a store as its own process."""
    command = [sys.executable, "-m", "driftwatch", "--db", str(path), "serve", "--port", str(port)]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL)
    try:
        process.stdout.readline()
        yield process
    finally:
        process.terminate()
        process.wait(20)
        process.stdout.close()


def measure(path: Path, args: argparse.Namespace) -> None:
    """Serve the store, let the users read, and print what came of it."""
    with driftwatch.open(path, read_only=True) as store:
        units = list(store.unit_list()["unit"])
    port, taken = free_port(), defaultdict(list)
    with served(path, port) as process, tempfile.TemporaryDirectory() as folder:
        print(f"{len(units)} units; assessed after {asyncio.run(assessed(port)):.0f} s")
        before = memory_mb(process.pid)
        writer = None
        if args.writing:
            with driftwatch.open(path, read_only=True) as store:
                (file,) = store.export(Path(folder) / "out", what=["snapshots"], fmt="csv")
            command = [
                sys.executable,
                "-m",
                "driftwatch",
                "--db",
                str(path),
                "--wait",
                "60",
                "import",
                str(file),
            ]
            writer = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        wrong, memory = asyncio.run(read(port, units, args, taken, process.pid))
        if writer is not None:
            print(f"the import {'ended' if writer.poll() is not None else 'still went on'} meanwhile")
            writer.wait()
    everything = [t for times in taken.values() for t in times]
    print(f"{args.users} users, {args.seconds:g} s, pausing {args.pause:g} s: {len(everything)} pages")
    print(f"{'page':18}{'pages':>7}{'median':>9}{'p95':>8}{'p99':>8}{'most':>8}  ms")
    for what, times in [*sorted(taken.items()), ("all", everything)]:
        shown = [statistics.median(times), quantile(times, SHARE), quantile(times, 0.99), max(times)]
        print(
            f"{what:18}{len(times):7}{1000 * shown[0]:9.0f}" + "".join(f"{1000 * v:8.0f}" for v in shown[1:])
        )
    kept = quantile(everything, SHARE) <= WITHIN and not wrong
    print(f"errors: {len(wrong)}{'; ' + wrong[0] if wrong else ''}")
    print(f"server's memory: {before:.0f} MB before, then {', '.join(f'{m:.0f}' for m in memory)} MB")
    print(f"p95 under {1000 * WITHIN:.0f} ms and no error: {'yes' if kept else 'NO'}")


def main() -> None:
    """Make the store where there is none, and measure."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--units", type=int, default=500)
    parser.add_argument("--users", type=int, default=50)
    parser.add_argument("--seconds", type=float, default=60)
    parser.add_argument("--pause", type=float, default=1.0)
    parser.add_argument("--store", type=Path)
    parser.add_argument("--writing", action="store_true")
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        path = args.store or Path(folder) / "fleet.duckdb"
        if not path.exists():
            make_store(path, Path(folder), args.units)
        copy = Path(folder) / "served.duckdb"
        shutil.copyfile(path, copy)
        measure(copy, args)


if __name__ == "__main__":
    main()
