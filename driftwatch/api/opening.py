"""How a store is opened from Python."""

from __future__ import annotations

from datetime import date, datetime
from pathlib import Path

from driftwatch.api.store import Store
from driftwatch.days import as_moment


def open_store(
    path: str | Path,
    create: bool = False,
    read_only: bool = False,
    wait: float = 0.0,
    by: str = "",
    known_at: date | datetime | str | None = None,
) -> Store:
    """Open the store of a fleet.

    Parameters
    ----------
    path : path
        The store's file.
    create : bool
        Make an empty store if there is none.
    read_only : bool
        Several processes may read at once; only one may write.
    wait : float
        For how many seconds to wait where another process has the store.
    by : str
        Who writes, for the record of files and corrections; whoever is logged in, if left out.
    known_at : date, datetime or str, optional
        Show the store as it was then, to read only: files that came in later, and corrections made later, are
        taken back. A day stands for its end; a time without an offset is local to the store's zone.

    Raises
    ------
    StoreError
        `StoreMissing`, `StoreNewer`, `StoreBusy` or `StoreDamaged`.

    """
    from driftwatch.store.database import Database

    moment = as_moment(known_at) if isinstance(known_at, str) else known_at
    return Store(
        Database.open(Path(path), read_only=read_only, create=create, wait=wait, who=by, known_at=moment)
    )
