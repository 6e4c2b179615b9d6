"""Open a file of any kind that is taken: CSV, Parquet or XLSX, as text with line numbers."""

from __future__ import annotations

import hashlib
from pathlib import Path

from driftwatch.errors import InputRefused
from driftwatch.intake.read_csv import read_csv
from driftwatch.intake.read_parquet import read_parquet
from driftwatch.intake.read_xlsx import read_xlsx
from driftwatch.intake.tables import BrokenRow, RawTable

__all__ = ["BrokenRow", "RawTable", "read_table"]

FORMAT_OF_ENDING = {
    ".csv": "CSV",
    ".tsv": "CSV",
    ".txt": "CSV",
    ".parquet": "Parquet",
    ".pq": "Parquet",
    ".xlsx": "XLSX",
    ".xlsm": "XLSX",
}

#: First bytes of formats that are told apart by them.
SIGNATURES = (
    (b"PAR1", "Parquet"),
    (b"PK\x03\x04", "XLSX"),
    (b"\x89PNG", "a PNG picture"),
    (b"\xff\xd8\xff", "a JPEG picture"),
    (b"%PDF", "a PDF"),
    (b"\xd0\xcf\x11\xe0", "an old Excel workbook (.xls)"),
    (b"\x1f\x8b", "a gzip archive"),
    (b"\xff\xfe", "UTF-16 text"),
    (b"\xfe\xff", "UTF-16 text"),
)


def read_table(path: str | Path, sheet: str | None = None) -> RawTable:
    """Read a file whole, as text.

    Parameters
    ----------
    path : path
        A file ending in .csv, .tsv, .txt, .parquet, .pq, .xlsx or .xlsm.
    sheet : str, optional
        Which sheet of a workbook; the first one that is shown and not empty if left out.

    Raises
    ------
    InputRefused
        If there is no such file, it cannot be read, is empty, or is not of the format its ending claims.

    """
    path = Path(path)
    content = _bytes_of(path)
    where = path.name
    claimed = FORMAT_OF_ENDING.get(path.suffix.lower())
    if claimed is None:
        raise InputRefused(
            f"files ending in {path.suffix or 'nothing'!r} are not read", where, "give CSV, Parquet or XLSX"
        )
    found = next((name for start, name in SIGNATURES if content.startswith(start)), "CSV")
    if found != claimed:
        is_what = "text" if found == "CSV" else found
        raise InputRefused(
            f"this is not {claimed} but {is_what}", where, "save it again in the format its name says"
        )
    digest = hashlib.sha256(content).hexdigest()
    if sheet is not None and claimed != "XLSX":
        raise InputRefused(f"a {claimed} file has no sheets", where, "leave the sheet out")
    if claimed == "Parquet":
        return read_parquet(content, where, digest)
    if claimed == "XLSX":
        return read_xlsx(content, where, digest, sheet)
    return read_csv(content, where, digest)


def _bytes_of(path: Path) -> bytes:
    try:
        if path.is_dir():
            raise InputRefused("this is a folder, not a file", str(path), "name the files in it")
        content = path.read_bytes()
    except FileNotFoundError:
        raise InputRefused("there is no such file", str(path), "check the path") from None
    except (OSError, ValueError) as problem:
        text = getattr(problem, "strerror", None) or str(problem)
        raise InputRefused(f"the file cannot be read ({text})", str(path)) from None
    if not content.strip():
        raise InputRefused("the file is empty", path.name, "export it again")
    return content
