"""What an import did, row by row counted."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

import pandas as pd


@dataclass(frozen=True)
class Doubt:
    """Something about rows that were taken: possible, but odd enough to be looked at.

    Attributes
    ----------
    line : int
        Line of the first row concerned.
    code : str
        Short name of what is odd.
    unit : str
    sentence : str
        What is odd, and what it may be, in words.

    """

    line: int
    code: str
    unit: str
    sentence: str

    def to_dict(self) -> dict[str, Any]:
        """Give the doubt as plain data for JSON."""
        return {"line": self.line, "code": self.code, "unit": self.unit, "sentence": self.sentence}


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
        One row for each quarantined one: `line`, `code`, `reason`, `raw` (the row as JSON), `unit`.
    first, last : datetime or None
        First and last time among the rows that were taken, local to the store's zone.
    dry_run : bool
        True if nothing was written.
    notes : tuple of str
        What else the user should know: sheets or columns not read, older values left alone.
    doubts : tuple of Doubt
        Rows that were taken but look odd.
    corrections : DataFrame
        One row for each value that was replaced, or filled in: `line`, `what`, `unit`, `at`, `mode`,
        `channel`, `signal`, `event_id`, `field`, `old_value`, `new_value`.
    sheet : str
        Sheet of a workbook; "" for other files.
    parts : tuple of ImportReport
        One report a sheet, where the file is a workbook with several; the counts above are their sums.

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
    doubts: tuple[Doubt, ...] = ()
    sheet: str = ""
    corrections: pd.DataFrame = field(default_factory=pd.DataFrame, compare=False, repr=False)
    parts: tuple[ImportReport, ...] = ()

    @classmethod
    def of(cls, parts: Sequence[ImportReport]) -> ImportReport:
        """Give the report of a file from those of its sheets."""
        if len(parts) == 1:
            return parts[0]
        firsts, lasts = [p.first for p in parts if p.first], [p.last for p in parts if p.last]
        return cls(
            file=parts[0].file,
            sha256=parts[0].sha256,
            kind=", ".join(dict.fromkeys(p.kind for p in parts)),
            rows=sum(p.rows for p in parts),
            new=sum(p.new for p in parts),
            same=sum(p.same for p in parts),
            corrected=sum(p.corrected for p in parts),
            quarantined=sum(p.quarantined for p in parts),
            problems=pd.concat([p.problems for p in parts], ignore_index=True),
            first=min(firsts, default=None),
            last=max(lasts, default=None),
            dry_run=parts[0].dry_run,
            notes=tuple(f"sheet {p.sheet}: {note}" for p in parts for note in p.notes),
            doubts=tuple(doubt for p in parts for doubt in p.doubts),
            corrections=pd.concat([p.corrections for p in parts], ignore_index=True),
            parts=tuple(parts),
        )

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
                for line, code, reason, raw, _ in self.problems.itertuples(index=False)
            ],
            "first": self.first.isoformat() if self.first else None,
            "last": self.last.isoformat() if self.last else None,
            "dry_run": self.dry_run,
            "notes": list(self.notes),
            "doubts": [doubt.to_dict() for doubt in self.doubts],
            "corrections": self.corrections.to_dict("records"),
            "sheet": self.sheet,
            "sheets": [part.to_dict() for part in self.parts],
        }


@dataclass(frozen=True)
class Problem:
    """Something that `check` found wrong in a store."""

    code: str
    what: str
    where: str = ""

    def __str__(self) -> str:
        return f"{self.where}: {self.what}" if self.where else self.what
