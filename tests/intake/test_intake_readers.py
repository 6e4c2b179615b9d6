"""Each form in which a file can come. Expected contents are hand-written beside each file."""

from __future__ import annotations

import hashlib
import zipfile
from datetime import UTC, date, datetime

import openpyxl
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from driftwatch.errors import InputRefused
from driftwatch.intake.batch import read_batch
from driftwatch.intake.readers import read_table


def written(tmp_path, content, name="a.csv"):
    path = tmp_path / name
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return path


def rows(table):
    return table.data.to_pylist()


@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
@pytest.mark.parametrize("bom", [b"", b"\xef\xbb\xbf"])
@pytest.mark.parametrize("ends", ["\n", "\r\n"])
def test_csv_of_every_form_reads_alike(tmp_path, delimiter, bom, ends):
    lines = [["unit", "profile", "note"], ["T1", "p", f'"with {delimiter} and ""quotes"""'], ["T2", "p", "é"]]
    text = ends.join(delimiter.join(line) for line in lines) + ends
    table = read_table(written(tmp_path, bom + text.encode()))
    assert table.columns == ("unit", "profile", "note")
    assert rows(table) == [
        {"unit": "T1", "profile": "p", "note": f'with {delimiter} and "quotes"'},
        {"unit": "T2", "profile": "p", "note": "é"},
    ]
    assert table.line.to_pylist() == [2, 3]
    assert table.delimiter == delimiter


def test_the_fingerprint_is_that_of_the_bytes(tmp_path):
    content = b"unit,profile\nT1,p\n"
    assert read_table(written(tmp_path, content)).sha256 == hashlib.sha256(content).hexdigest()


def test_lines_are_those_of_the_file_through_quoted_breaks_and_blank_lines(tmp_path):
    text = 'unit,note\nT1,"two\nlines"\n\nT2,x\nT3,a,b,c\n,\nT4,y\n'
    table = read_table(written(tmp_path, text))
    assert [(line, r["unit"]) for line, r in zip(table.line.to_pylist(), rows(table), strict=True)] == [
        (2, "T1"),
        (5, "T2"),
        (8, "T4"),
    ]
    assert [(b.line, b.code, b.text) for b in table.broken] == [(6, "row_shape", "T3,a,b,c")]
    assert "4 fields where the header has 2" in table.broken[0].reason


def test_blank_lines_before_the_header_are_passed_over_but_counted(tmp_path):
    table = read_table(written(tmp_path, "\n  \r\nunit\tprofile\nT1\tp\n"))
    assert rows(table) == [{"unit": "T1", "profile": "p"}]
    assert table.line.to_pylist() == [4]


def test_a_quote_open_over_much_text_is_refused(tmp_path):
    with pytest.raises(InputRefused, match="line 1: a quoted field is never closed"):
        read_table(written(tmp_path, 'unit,"profile\n' + "T1,p\n" * 60000))


def test_a_file_without_a_last_line_end_keeps_its_last_row(tmp_path):
    assert rows(read_table(written(tmp_path, "unit,profile\nT1,p"))) == [{"unit": "T1", "profile": "p"}]


def test_nameless_blank_columns_are_left_out_and_filled_ones_named_by_place(tmp_path):
    table = read_table(written(tmp_path, "unit,,profile,\nT1,x,p,\n"))
    assert table.columns == ("unit", "column 2", "profile")


@pytest.mark.parametrize(
    ("content", "name", "says"),
    [
        (b"", "a.csv", "empty"),
        (b" \n\n", "a.csv", "empty"),
        (b"\x89PNG\r\n\x1a\nxxxx", "a.xlsx", "not XLSX but a PNG picture"),
        (b"unit,profile\nT1,p\n", "a.parquet", "not Parquet but text"),
        (b"\x8e\x02\xf1\x00\x9d\x1b" * 50, "a.xlsx", "this is not XLSX: it is damaged"),
        (b"\x8e\x02\xf1\x00\x9d\x1b" * 50, "a.parquet", "this is not Parquet: it is damaged"),
        ("unit,profile\n".encode("utf-16"), "a.xlsx", "not XLSX but text"),
        ("unit,profile\n".encode("utf-16-le"), "a.xlsx", "not XLSX but text"),
        (b"unit,profile\nT1,p\n", "a.xlsx", "not XLSX but text"),
        (b"PK\x03\x04 rubbish", "a.xlsx", "not a workbook"),
        (b"PAR1 rubbish PAR1", "a.parquet", "damaged"),
        (b"PK\x03\x04 rubbish", "a.csv", "not CSV but XLSX"),
        (b"unit,profile\nT1,\xff\x81\n", "a.csv", "not text in any encoding"),
        (b"\xff\xfeu\x00n", "a.csv", "not text in any encoding"),
        (b"unit,profile\nT1,\x00\n", "a.csv", "zero bytes"),
        (b"unit,Unit\nT1,T1\n", "a.csv", "two columns"),
        (b'unit,profile\nT1,"never closed\nT2,p\n', "a.csv", "never closed"),
        (b",\n,\n", "a.csv", "no column names"),
        (b"unit,profile\n", "a.doc", "'.doc'"),
    ],
)
def test_what_cannot_be_understood_is_refused_in_one_line(tmp_path, content, name, says):
    with pytest.raises(InputRefused) as refused:
        read_table(written(tmp_path, content, name))
    assert says in str(refused.value)
    assert "\n" not in str(refused.value)
    assert name in str(refused.value)


def test_missing_files_and_folders_are_refused(tmp_path):
    with pytest.raises(InputRefused, match="no such file"):
        read_table(tmp_path / "nothing.csv")
    with pytest.raises(InputRefused, match="a folder"):
        read_table(tmp_path)


def test_parquet_types_become_the_text_of_a_csv(tmp_path):
    table = pa.table(
        {
            "unit": pa.array(["T1", None]).dictionary_encode(),
            "day": pa.array([date(2026, 3, 14), None]),
            "local": pa.array([datetime(2026, 3, 14, 9, 20), None], pa.timestamp("ms")),
            "aware": pa.array(
                [datetime(2026, 3, 14, 9, 20, tzinfo=UTC), None], pa.timestamp("ns", "Etc/GMT-1")
            ),
            "value": pa.array([0.1, float("nan")]),
            "count": pa.array([3, None], pa.int16()),
            "nothing": pa.nulls(2),
            "keep": ["a", "b"],
        }
    )
    pq.write_table(table, tmp_path / "a.parquet")
    read = read_table(tmp_path / "a.parquet")
    assert rows(read)[0] == {
        "unit": "T1",
        "day": "2026-03-14",
        "local": "2026-03-14 09:20:00.000000",
        "aware": "2026-03-14 09:20:00.000000Z",
        "value": "0.1",
        "count": "3",
        "nothing": "",
        "keep": "a",
    }
    assert set(rows(read)[1].values()) == {"", "b"}
    assert read.line.to_pylist() == [1, 2]


def test_parquet_with_lists_is_refused(tmp_path):
    pq.write_table(pa.table({"unit": [["T1"]]}), tmp_path / "a.parquet")
    with pytest.raises(InputRefused, match="not plain values"):
        read_table(tmp_path / "a.parquet")


def test_parquet_written_by_pandas_reads(tmp_path):
    pd.DataFrame({"unit": ["T1"], "value": [1.5]}).to_parquet(tmp_path / "a.parquet")
    assert rows(read_table(tmp_path / "a.parquet")) == [{"unit": "T1", "value": "1.5"}]


def workbook(path, sheets):
    book = openpyxl.Workbook()
    book.remove(book.active)
    for title, content in sheets.items():
        sheet = book.create_sheet(title)
        for row in content:
            sheet.append(row)
    book.save(path)
    return path


def test_xlsx_cells_dates_and_row_numbers(tmp_path):
    path = workbook(
        tmp_path / "a.xlsx",
        {
            "empty": [],
            "data": [
                ["unit", "taken_at", "value", "note"],
                [101, datetime(2026, 3, 14, 9, 20), 1.5, " x "],
                [],
                ["T2", date(2026, 3, 15), 12.0, None],
            ],
            "more": [["other"]],
        },
    )
    table = read_table(path)
    assert rows(table) == [
        {"unit": "101", "taken_at": "2026-03-14T09:20:00", "value": "1.5", "note": "x"},
        {"unit": "T2", "taken_at": "2026-03-15", "value": "12", "note": ""},
    ]
    assert table.line.to_pylist() == [2, 4]
    assert table.notes == ("sheet 'more' was not read",)
    assert read_table(path, sheet="more").columns == ("other",)
    with pytest.raises(InputRefused, match="no sheet 'x'"):
        read_table(path, sheet="x")
    with pytest.raises(InputRefused, match="is empty"):
        read_table(path, sheet="empty")


def test_a_workbook_with_a_broken_sheet_is_refused(tmp_path):
    path = workbook(tmp_path / "a.xlsx", {"data": [["unit", "profile"], ["T1", "p"]]})
    with zipfile.ZipFile(path) as whole, zipfile.ZipFile(tmp_path / "b.xlsx", "w") as spoilt:
        for name in whole.namelist():
            content = whole.read(name)
            spoilt.writestr(name, content[: len(content) * 2 // 3] if "sheet1" in name else content)
    with pytest.raises(InputRefused, match="not a workbook that can be read"):
        read_table(tmp_path / "b.xlsx")


@pytest.mark.parametrize(
    ("header", "kind"),
    [
        ("Unit,PROFILE", "units"),
        ("value,signal,channel,mode,Odometer_MI,taken_at,unit", "snapshots"),
        ("kind,happened_at,unit", "events"),
    ],
)
def test_the_kind_is_told_by_the_columns_in_any_order_and_case(tmp_path, header, kind):
    batch = read_batch(written(tmp_path, header + "\n" + ",".join("x" for _ in header.split(",")) + "\n"))
    assert batch.kind == kind
    assert batch.staged()["unit"].to_pylist() == ["x"]


@pytest.mark.parametrize(
    ("header", "says"),
    [
        ("unit,profil", "needs the column profile - rename 'profil'"),
        # A name that is hardly alike is not taken to be meant.
        ("unit,kind,sheet", "an events file needs the column happened_at - there are unit, kind, sheet"),
        (
            "unit,taken_at,odometer,mode,channel,signal,value",
            "odometer_km or odometer_mi - rename 'odometer'",
        ),
        ("unit,happened_at,sort", "needs the column kind"),
    ],
)
def test_a_missing_column_is_named_with_the_nearest(tmp_path, header, says):
    kind = {"profil": "units", "odometer": "snapshots", "sort": "events", "sheet": "events"}
    which = next(k for word, k in kind.items() if word in header)
    path = written(tmp_path, header + "\n" + ",".join("x" for _ in header.split(",")) + "\n")
    with pytest.raises(InputRefused) as refused:
        read_batch(path, kind=which)
    assert says in str(refused.value)


def test_a_file_of_no_kind_is_refused(tmp_path):
    with pytest.raises(InputRefused, match="no known kind"):
        read_batch(written(tmp_path, "a,b\n1,2\n"))
