"""Files as they come: encodings, delimiters, numbers, workbooks of several sheets, merged names, odd sizes.

Expected contents are hand-written beside each file.
"""

from __future__ import annotations

import io
import zipfile

import duckdb
import openpyxl
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from driftwatch.errors import InputRefused, UsageError
from driftwatch.intake.batch import read_batch, read_batches
from driftwatch.intake.content import content_of_bytes
from driftwatch.intake.numbers import decimal_of, number_sql
from driftwatch.intake.readers import read_table, read_tables

UNITS = "unit,profile,note\nT1,generic-6,Größe\nT2,generic-6,é\n"
ROWS = [
    {"unit": "T1", "profile": "generic-6", "note": "Größe"},
    {"unit": "T2", "profile": "generic-6", "note": "é"},
]


def written(tmp_path, content, name="a.csv"):
    path = tmp_path / name
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return path


def rows(table):
    return table.data.to_pylist()


# Encodings. The bytes are made by Python's codecs.


@pytest.mark.parametrize(
    "encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "utf-32", "cp1252"]
)
@pytest.mark.parametrize("ends", ["\n", "\r\n", "\r"])
def test_text_in_any_usual_encoding_reads_alike(tmp_path, encoding, ends):
    table = read_table(written(tmp_path, UNITS.replace("\n", ends).encode(encoding)))
    assert rows(table) == ROWS
    assert table.line.to_pylist() == [2, 3]
    assert bool(table.notes) == (encoding == "cp1252")


def test_a_guessed_encoding_is_said(tmp_path):
    (note,) = read_table(written(tmp_path, UNITS.encode("cp1252"))).notes
    assert "Windows-1252" in note


def test_big_endian_utf16_with_a_mark(tmp_path):
    content = b"\xfe\xff" + UNITS.encode("utf-16-be")
    assert rows(read_table(written(tmp_path, content))) == ROWS


# What stands before the header


@pytest.mark.parametrize(
    ("before", "line"),
    [
        ("sep=;\n", 3),
        ("Monthly export\n", 3),
        ("Monthly export\nmade 2026-03-01\n\n", 5),
        ("\n\nExport;;\n", 5),
    ],
)
def test_titles_and_hints_before_the_header_are_passed_over(tmp_path, before, line):
    table = read_table(written(tmp_path, before + "unit;profile;note\nT1;p;x\n"))
    assert table.columns == ("unit", "profile", "note")
    assert table.line.to_pylist() == [line]


def test_a_single_column_is_no_title(tmp_path):
    assert read_table(written(tmp_path, "unit\nT1\nT2\n")).data.num_rows == 2


# Numbers: each in a file whose other numbers leave no doubt, or with the sign named


@pytest.mark.parametrize(
    ("text", "decimal", "number"),
    [
        ("12.5", "point", 12.5),
        ("12,5", "comma", 12.5),
        ("1,234.5", "point", 1234.5),
        ("1.234,5", "comma", 1234.5),
        ("1 234,5", "comma", 1234.5),
        ("1\u00a0234.5", "point", 1234.5),
        ("1\u202f234\u202f567", "point", 1234567.0),
        ("1'234.5", "point", 1234.5),
        ("64,200", "point", 64200.0),
        ("64,200", "comma", 64.2),
        ("64.200", "comma", 64200.0),
        ("64.200", "point", 64.2),
        ("0.485", "comma", 0.485),
        ("12.5", "comma", 12.5),
        ("-1.234.567,8", "comma", -1234567.8),
        ("1e3", "point", 1000.0),
        ("+5", "point", 5.0),
        *((text, "point", None) for text in ("12,5", "1.234,5", "12,34,567", "1,23", "--1", "0x10", "1_000")),
        *((text, "comma", None) for text in ("1,234.5", "1.23,4", "12.34.567", "nan", "inf", "")),
    ],
)
def test_numbers_as_shops_write_them(text, decimal, number):
    found = duckdb.execute(f"SELECT {number_sql('t', decimal)} FROM (SELECT ? AS t)", [text]).fetchall()
    assert found == [(number,)]


@pytest.mark.parametrize(
    ("texts", "delimiter", "decimal", "noted"),
    [
        (["12.5", "3"], ";", "point", ""),
        (["12,5", "64.200"], ";", "comma", "64.200 are read as 64200"),
        (["64,200", "12"], ";", "comma", "64,200 are read as 64.200"),
        (["64,200", "12.5"], ",", "point", "64,200 are read as 64200"),
        (["64,200", "1.5"], ";", "point", "64,200 are read as 64200"),
        (["64.200"], ";", "point", "64.200 are read as 64.200"),
        (["12,5"], ",", "point", ""),
        (["12,5"], "", "comma", ""),
    ],
)
def test_the_decimal_sign_is_found_from_all_numbers_and_doubts_are_said(texts, delimiter, decimal, noted):
    found, note = decimal_of([pa.chunked_array([texts])], delimiter)
    assert found == decimal
    assert noted in note
    assert bool(note) == bool(noted)


def test_the_decimal_sign_can_be_said(tmp_path):
    head = "unit;taken_at;odometer_km;mode;channel;signal;value\n"
    path = written(tmp_path, head + "T1;2026-01-01;64.200;tow;1-2;apply_trim;12.5\n")
    assert read_batch(path).decimal == "point"
    assert read_batch(path, decimal="comma").decimal == "comma"
    with pytest.raises(UsageError, match="no decimal sign 'dot'"):
        read_batch(path, decimal="dot")


# Workbooks


def workbook(path, sheets, merged=()):
    book = openpyxl.Workbook()
    book.remove(book.active)
    for title, content in sheets.items():
        sheet = book.create_sheet(title)
        for row in content:
            sheet.append(row)
    for title, ref in merged:
        book[title].merge_cells(ref)
    book.save(path)
    return path


def test_every_sheet_of_a_known_kind_is_read_and_others_are_named(tmp_path):
    path = workbook(
        tmp_path / "a.xlsx",
        {
            "Log": [["unit", "happened_at", "kind"], ["T1", "2026-01-01", "fluid"]],
            "Remarks": [["anything"], ["goes"]],
            "Fleet": [["unit", "profile"], ["T1", "generic-6"]],
        },
    )
    batches = read_batches(path)
    assert [(b.kind, b.table.sheet, b.rows) for b in batches] == [("events", "Log", 1), ("units", "Fleet", 1)]
    assert batches[-1].notes == ("sheet 'Remarks' was not read: it is not of a known kind",)
    with pytest.raises(InputRefused, match="several tables"):
        read_batch(path)


def test_names_merged_over_columns_and_rows_are_put_together(tmp_path):
    content = [
        ["South yard, monthly readings"],
        ["Truck", "Read on", "Apply trim psi", None, "Shift time s", None],
        [None, None, "normal", "tow", "normal", "tow"],
        [None, None, "1-2", "1-2", "1-2", "1-2"],
        ["T1", "2026-01-01", 1, 2, 0.5, 0.6],
        [None, "2026-02-01", 3, 4, 0.7, 0.8],
    ]
    merged = [("S", ref) for ref in ("A1:F1", "A2:A4", "B2:B4", "C2:D2", "E2:F2", "A5:A6")]
    # The third row of names is merged with nothing: it belongs to the header, as A2:A4 reaches over it.
    table = read_table(workbook(tmp_path / "a.xlsx", {"S": content}, merged))
    assert table.columns == (
        "Truck",
        "Read on",
        "Apply trim psi normal 1-2",
        "Apply trim psi tow 1-2",
        "Shift time s normal 1-2",
        "Shift time s tow 1-2",
    )
    assert [list(row.values()) for row in rows(table)] == [
        ["T1", "2026-01-01", "1", "2", "0.5", "0.6"],
        ["T1", "2026-02-01", "3", "4", "0.7", "0.8"],
    ]
    assert table.line.to_pylist() == [5, 6]


def test_one_row_of_names_merged_sideways_is_followed_by_a_second(tmp_path):
    content = [["Unit", "Volume", None], [None, "pack1", "pack2"], ["T1", 36, 31]]
    table = read_table(workbook(tmp_path / "a.xlsx", {"S": content}, [("S", "B1:C1")]))
    assert table.columns == ("Unit", "Volume pack1", "Volume pack2")


def test_a_name_merged_over_two_columns_of_numbers_is_one_row(tmp_path):
    content = [["unit", "value", None], ["T1", 36, 31]]
    with pytest.raises(InputRefused, match="two columns are called 'value'"):
        read_table(workbook(tmp_path / "a.xlsx", {"S": content}, [("S", "B1:C1")]))


def test_cells_shown_in_percent_are_read_as_shown(tmp_path):
    book = openpyxl.Workbook()
    book.active.append(["unit", "value"])
    book.active.append(["T1", 0.3])
    book.active["B2"].number_format = "0%"
    book.save(tmp_path / "a.xlsx")
    table = read_table(tmp_path / "a.xlsx")
    assert rows(table) == [{"unit": "T1", "value": "30"}]
    assert "1 cells are shown" in table.notes[0]


def test_hidden_sheets_are_left_out(tmp_path):
    path = workbook(tmp_path / "a.xlsx", {"S": [["unit", "profile"], ["T1", "p"]], "H": [["x", "y"], [1, 2]]})
    book = openpyxl.load_workbook(path)
    book["H"].sheet_state = "hidden"
    book.save(path)
    assert [t.sheet for t in read_tables(path)] == ["S"]


# Absurd sizes


def with_part(path, name, content, tmp_path):
    """The same workbook with one of its parts replaced."""
    out = tmp_path / "changed.xlsx"
    with zipfile.ZipFile(path) as old, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as new:
        for entry in old.namelist():
            new.writestr(entry, content if entry == name else old.read(entry))
    return out


SHEET = "xl/worksheets/sheet1.xml"
XML = '<?xml version="1.0"?><worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main">'


@pytest.fixture
def small(tmp_path):
    return workbook(tmp_path / "a.xlsx", {"S": [["unit", "profile"], ["T1", "p"]]})


def test_a_workbook_that_unpacks_without_measure_is_refused(small, tmp_path):
    bomb = with_part(small, SHEET, b" " * 60_000_000, tmp_path)
    assert bomb.stat().st_size < 1_000_000
    with pytest.raises(InputRefused, match="too large when unpacked"):
        read_table(bomb)


def test_a_workbook_of_names_that_multiply_is_refused(small, tmp_path):
    entities = "".join(f'<!ENTITY a{i + 1} "{f"&a{i};" * 10}">' for i in range(9))
    text = f'<?xml version="1.0"?><!DOCTYPE x [<!ENTITY a0 "aaaaaaaaaa">{entities}]>' + XML.split("?>")[1]
    cell = (
        '<sheetData><row r="1"><c r="A1" t="inlineStr"><is><t>&a9;</t></is></c></row></sheetData></worksheet>'
    )
    with pytest.raises(InputRefused, match="not a workbook"):
        read_table(with_part(small, SHEET, text + cell, tmp_path))


def test_a_sheet_that_claims_to_be_vast_is_read_for_what_it_holds(small, tmp_path):
    rows_xml = "".join(
        f'<row r="{r}"><c r="A{r}" t="inlineStr"><is><t>{a}</t></is></c>'
        f'<c r="B{r}" t="inlineStr"><is><t>{b}</t></is></c></row>'
        for r, a, b in ((1, "unit", "profile"), (2, "T1", "p"))
    )
    text = f'{XML}<dimension ref="A1:XFD1048576"/><sheetData>{rows_xml}</sheetData></worksheet>'
    assert rows(read_table(with_part(small, SHEET, text, tmp_path))) == [{"unit": "T1", "profile": "p"}]


def test_a_cell_in_the_last_column_is_refused(small, tmp_path):
    cell = '<sheetData><row r="1"><c r="XFD1"><v>1</v></c></row></sheetData></worksheet>'
    with pytest.raises(InputRefused, match="16384 columns"):
        read_table(with_part(small, SHEET, XML + cell, tmp_path))


@pytest.mark.parametrize("name", ["a.csv", "a.xlsx", "a.parquet"])
def test_huge_cells_are_refused_with_their_line(tmp_path, name):
    huge = "x" * 150_000
    path = tmp_path / name
    if name == "a.csv":
        path.write_text(f"unit,profile\nT1,p\nT2,{huge}\n")
    elif name == "a.xlsx":
        workbook(path, {"S": [["unit", "profile"], ["T1", "p"]]})
        text = (
            f'{XML}<sheetData><row r="1"><c r="A1" t="inlineStr"><is><t>{huge}</t></is></c></row>'
            "</sheetData></worksheet>"
        )
        path = with_part(path, SHEET, text, tmp_path)
    else:
        pq.write_table(pa.table({"unit": ["T1", "T2"], "profile": ["p", huge]}), path)
    with pytest.raises(InputRefused, match="150000 signs in one cell"):
        read_table(path)


@pytest.mark.parametrize("width", [5000, 100_000])
def test_absurd_widths_are_refused(tmp_path, width):
    with pytest.raises(InputRefused, match=f"{width} columns"):
        read_table(written(tmp_path, ",".join(f"c{i}" for i in range(width)) + "\n"))


def test_a_parquet_of_more_values_than_can_be_is_refused(tmp_path, monkeypatch):
    # A constant column packs into some thousand bytes, however many values it has.
    monkeypatch.setattr("driftwatch.intake.read_parquet.MOST_VALUES", 10_000_000)
    schema = pa.schema([("unit", pa.dictionary(pa.int32(), pa.string()))])
    constant = pa.repeat(pa.scalar("T1"), 4_000_000).dictionary_encode()
    piece = pa.RecordBatch.from_arrays([constant], schema=schema)
    with pq.ParquetWriter(tmp_path / "a.parquet", schema) as writer:
        for _ in range(3):
            writer.write_batch(piece)
    assert (tmp_path / "a.parquet").stat().st_size < 50_000
    with pytest.raises(InputRefused, match="too large when unpacked"):
        read_table(tmp_path / "a.parquet")


# Bytes that come from elsewhere


def test_the_form_of_a_stream_is_told_by_its_bytes(tmp_path):
    book = io.BytesIO()
    openpyxl.Workbook().save(book)
    path = workbook(tmp_path / "a.xlsx", {"S": [["unit", "profile"], ["T1", "p"]]})
    for content in (b"unit,profile\nT1,p\n", path.read_bytes()):
        assert rows(read_table(content_of_bytes(content, "standard input"))) == [
            {"unit": "T1", "profile": "p"}
        ]
    with pytest.raises(InputRefused, match="this is a PDF"):
        read_table(content_of_bytes(b"%PDF-1.7", "standard input"))
    with pytest.raises(InputRefused, match="nothing in it"):
        content_of_bytes(b" \n", "standard input")


def test_a_file_that_is_still_being_written_is_refused(tmp_path, monkeypatch):
    from driftwatch.intake import readers

    path = written(tmp_path, "unit,profile\nT1,p\n")
    read = readers.read_csv

    def slowly(content):
        table = read(content)
        path.write_text("unit,profile\nT1,p\nT2,p\n")
        return table

    monkeypatch.setattr(readers, "read_csv", slowly)
    with pytest.raises(InputRefused, match="changed while it was read"):
        read_table(path)
