"""What an import did, row by row counted."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

import pandas as pd


@dataclass(frozen=True)
class ImportReport:
    """The outcome of one file; `rows == new + same + corrected + quarantined`.

    Attributes
    ----------
    file, sha256, kind : str
    rows, new, same, corrected, quarantined : int
        Rows of the file (cells, for a wide file), and what became of them. `same` are rows that the store
        already held.
    problems : DataFrame
        One row for each quarantined one: `line`, `code`, `reason`, `raw` (the row as JSON).
    first, last : datetime or None
        First and last time among the rows that were taken, local to the store's zone.
    dry_run : bool
        True if nothing was written.
    notes : tuple of str
        What else the user should know: sheets or columns not read, older values left alone.

    """

    file: str
    sha256: str
    kind: str
    rows: int
    new: int
    same: int
    corrected: int
    quarantined: int
    problems: pd.DataFrame = field(compare=False, repr=False)
    first: datetime | None = None
    last: datetime | None = None
    dry_run: bool = False
    notes: tuple[str, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """Give the report as plain data for JSON."""
        return {
            "file": self.file,
            "sha256": self.sha256,
            "kind": self.kind,
            "rows": self.rows,
            "new": self.new,
            "same": self.same,
            "corrected": self.corrected,
            "quarantined": self.quarantined,
            "problems": [
                {"line": int(line), "code": code, "reason": reason, "raw": raw}
                for line, code, reason, raw in self.problems.itertuples(index=False)
            ],
            "first": self.first.isoformat() if self.first else None,
            "last": self.last.isoformat() if self.last else None,
            "dry_run": self.dry_run,
            "notes": list(self.notes),
        }


@dataclass(frozen=True)
class Problem:
    """Something that `check` found wrong in a store."""

    code: str
    what: str
    where: str = ""

    def __str__(self) -> str:
        return f"{self.where}: {self.what}" if self.where else self.what
