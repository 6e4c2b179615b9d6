"""Open a file of any kind that is taken: CSV, Parquet or XLSX, as text with line numbers."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from driftwatch.errors import InputRefused
from driftwatch.intake.content import Content, content_of
from driftwatch.intake.read_csv import read_csv
from driftwatch.intake.read_parquet import read_parquet
from driftwatch.intake.read_xlsx import read_xlsx
from driftwatch.intake.tables import BrokenRow, RawTable

__all__ = ["FORMAT_OF_ENDING", "BrokenRow", "RawTable", "read_table", "read_tables"]

FORMAT_OF_ENDING = {
    ".csv": "CSV",
    ".tsv": "CSV",
    ".txt": "CSV",
    ".parquet": "Parquet",
    ".pq": "Parquet",
    ".xlsx": "XLSX",
    ".xlsm": "XLSX",
}


def read_tables(source: str | Path | Content, sheet: str | None = None) -> tuple[RawTable, ...]:
    """Read a file whole, as text: one table, or one for each sheet of a workbook that is shown and not empty.

    Parameters
    ----------
    source : path or Content
        A file ending in .csv, .tsv, .txt, .parquet, .pq, .xlsx or .xlsm, or the bytes of one.
    sheet : str, optional
        Only this sheet of a workbook.

    Raises
    ------
    InputRefused
        If there is no such file, it cannot be read, is empty, or is not of the format its ending claims.

    """
    content = source if isinstance(source, Content) else _checked(Path(source))
    form = content.format
    if form not in FORMAT_OF_ENDING.values():
        raise InputRefused(f"this is {form}", content.name, "give CSV, Parquet or XLSX")
    if sheet is not None and form != "XLSX":
        raise InputRefused(f"a {form} file has no sheets", content.name, "leave the sheet out")
    if form == "Parquet":
        tables = [read_parquet(content)]
    elif form == "XLSX":
        tables = read_xlsx(content, sheet)
    else:
        tables = [read_csv(content)]
    content.require_unchanged()
    return tuple(tables)


def read_table(source: str | Path | Content, sheet: str | None = None) -> RawTable:
    """Read the first table of a file; further sheets are named in its notes."""
    first, *others = read_tables(source, sheet)
    return replace(first, notes=first.notes + tuple(f"sheet {t.sheet!r} was not read" for t in others))


def _checked(path: Path) -> Content:
    """Take a file whose content is what its ending claims."""
    content = content_of(path)
    claimed = FORMAT_OF_ENDING.get(path.suffix.lower())
    if claimed is None:
        raise InputRefused(
            f"files ending in {path.suffix or 'nothing'!r} are not read",
            content.name,
            "give CSV, Parquet or XLSX",
        )
    found = content.format
    if found != claimed:
        if found != "CSV":
            is_what = f"this is not {claimed} but {found}"
        else:
            is_what = f"this is not {claimed}" + (" but text" if content.is_text else ": it is damaged")
        raise InputRefused(is_what, content.name, "save it again in the format its name says")
    return content
