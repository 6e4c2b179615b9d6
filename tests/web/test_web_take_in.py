"""Files taken in by the page: looked at first, their columns put right, imported, put right in quarantine."""

from __future__ import annotations

import io
import re
import zipfile

import openpyxl
import pytest

import driftwatch
from driftwatch.web import uploads
from tests.web.conftest import words

UNITS = b"unit,profile,site\nunit-09,generic-6,yard 9\n"
ROWS = (
    b"unit,taken_at,odometer_km,mode,channel,signal,value\n"
    b"unit-09,2025-03-01,1000,,pack1,clutch_volume,35.5\n"
    b"unit-9,2025-03-01,1000,,pack2,clutch_volume,31.5\n"
    b"unit-09,2025-03-01,1000,tow,1-2,apply_trim,much\n"
)


def send(visit, *files, status=200, **fields):
    told = [("files", (name, content, "application/octet-stream")) for name, content in files]
    return visit.post("/take-in", status, files=told, **fields)


def looked(visit):
    return visit.done(visit.page.jobs.newest("look")[0].id)


def quarantine(visit):
    with driftwatch.open(visit.page.settings.db, read_only=True) as store:
        return store.quarantine()


def test_files_are_looked_at_before_anything_is_written(visit):
    before = visit.page.settings.db.read_bytes()
    send(visit, ("snapshots.csv", ROWS), ("units.csv", UNITS))
    job = looked(visit)
    said = visit.text(f"/take-in/{job.id}")
    assert "Nothing has been written yet." in said
    assert "there is no unit “unit-9” in the store" in said
    assert "“much” is not a number" in said
    counts = {f["file"]: (f["report"]["new"], f["report"]["quarantined"]) for f in job.result["files"]}
    assert counts == {"snapshots.csv": (1, 2), "units.csv": (1, 0)}
    assert visit.page.settings.db.read_bytes() == before


def test_they_are_taken_in_and_put_right(visit):
    send(visit, ("snapshots.csv", ROWS), ("units.csv", UNITS))
    visit.post(f"/take-in/{looked(visit).id}")
    job = visit.done(visit.page.jobs.newest("import")[0].id)
    assert job.state == "done", job.error
    assert "Put 2 rows right" in visit.text(f"/jobs/{job.id}")
    assert job.by == "Ada Example"
    assert list(visit.page.folder.uploads.iterdir()) == []

    rows = quarantine(visit).set_index("code")
    number = rows.loc["unknown_unit", "quarantine_id"]
    form = visit.get("/take-in/quarantine/row", id=number).text
    fields = dict(re.findall(r'name="(field-[^"]+)" value="([^"]*)"', form))
    unit = next(name for name, text in fields.items() if text == "unit-9")
    wrong = visit.post(f"/take-in/quarantine/row?id={number}", 400, **{**fields, unit: "unit-8"})
    assert "still cannot be right: there is no unit “unit-8”" in words(wrong.text)
    assert "1 row taken." in words(
        visit.post(f"/take-in/quarantine/row?id={number}", **{**fields, unit: "unit-09"}).text
    )
    said = visit.post("/take-in/quarantine?code=value_not_a_number", do="set", column="value", text="12")
    assert "1 row taken, 0 still cannot be right." in words(said.text)
    assert quarantine(visit).empty
    with driftwatch.open(visit.page.settings.db, read_only=True) as store:
        values = store.readings(units=["unit-09"]).set_index("channel")["value"].to_dict()
        assert values == {"pack1": 35.5, "pack2": 31.5, "1-2": 12.0}
        assert store.check() == []
        assert set(store.files()["imported_by"].iloc[-3:]) == {"Ada Example"}


def test_rows_are_dropped_with_a_reason(visit):
    rows = ROWS.replace(b"unit-09,2025-03-01,1000", b"unit-01,2026-02-01,130000")
    send(visit, ("s.csv", rows))
    visit.post(f"/take-in/{looked(visit).id}")
    visit.done()
    assert len(quarantine(visit)) == 2
    assert "1 row dropped." in words(
        visit.post("/take-in/quarantine?code=unknown_unit", do="drop", note="test").text
    )
    number = quarantine(visit)["quarantine_id"].iloc[0]
    visit.post(f"/take-in/quarantine/row?id={number}", do="drop", note="test")
    assert quarantine(visit).empty
    assert "no row is chosen" in words(
        visit.post("/take-in/quarantine?code=unknown_unit", 400, do="again").text
    )


WIDE = (
    b"Truck,Read,Odo km,1-2 apply normal kPa,2-3 apply tow kPa,Pack 3 volume cm3,remarks\n"
    b"unit-01,2026-03-01,130000,18,22,25.4,fine\nunit-02,2026-03-02,190000,12,9,36.5,\n"
)


#: What its columns are, but for the last, as the form says it.
CHOSEN = {
    "profile": "generic-6", "what-0": "unit", "what-1": "taken_at", "what-2": "odometer",
    "what-3": "value:apply_trim", "channel-3": "1-2", "mode-3": "normal",
    "what-4": "value:apply_trim", "channel-4": "2-3", "mode-4": "tow",
    "what-5": "value:clutch_volume", "channel-5": "pack3", "unit-5": "cm3",
}  # fmt: skip


def test_a_sheet_of_ones_own_is_understood_column_by_column(visit):
    send(visit, ("workshop.csv", WIDE))
    job = looked(visit)
    assert "Its columns have to be told first." in visit.text(f"/take-in/{job.id}")
    visit.post(f"/take-in/{job.id}", 400)
    address = f"/take-in/{job.id}/columns?file=workshop.csv"
    form = visit.get(address).text
    assert "25.4, 36.5" in form
    fields = dict(re.findall(r'<select[^>]* name="([^"]+)"[^>]*>.*?<option value="([^"]*)" selected', form))
    fields |= dict(
        re.findall(r'<select name="((?:channel|mode)-\d+)"[^>]*>[^\n]*?<option selected>([^<]+)', form)
    )
    assert fields["what-3"] == "value:apply_trim"
    assert (fields["channel-3"], fields["mode-3"]) == ("1-2", "normal")
    twice = visit.post(address, 400, **{**CHOSEN, "channel-4": "1-2", "mode-4": "normal"}, do="try")
    assert "mapped to the same cell" in words(twice.text)
    odd = words(visit.post(address, **{**CHOSEN, "what-1": "source", "what-6": "taken_at"}, do="try").text)
    assert "1 is no time, such as" in odd
    assert "It cannot be used as it is; 1 column to look at." in odd
    tried = visit.post(address, **CHOSEN, do="try")
    assert "It can be used." in words(tried.text)
    # By hand: the column's two values are 18 and 12.
    assert "12.0 to 18.0 kPa 2 filled" in words(tried.text)

    visit.post(address, **CHOSEN, do="keep")
    again = looked(visit)
    assert again.id != job.id
    assert again.result["files"][0]["report"]["new"] == 6
    visit.post(f"/take-in/{again.id}")
    assert visit.done().state == "done"
    with driftwatch.open(visit.page.settings.db, read_only=True) as store:
        last = store.readings(units=["unit-02"])
        last = last[last["taken_at"] == last["taken_at"].max()]
        assert dict(zip(last["channel"], last["value"], strict=True)) == {
            "1-2": 12.0,
            "2-3": 9.0,
            "pack3": 36.5,
        }


def test_columns_are_tried_for_a_script_too(visit):
    send(visit, ("workshop.csv", WIDE))
    token, address = visit.token, f"/take-in/{looked(visit).id}/columns?file=workshop.csv"
    told = {"csrf": token, "profile": "generic-6", "do": "draft"}
    part = visit.client.post(address, data=told, headers={"x-part": "checks"})
    assert part.status_code == 200
    made = dict(re.findall(r'<div data-made="(\d)">(.*?)</div>', part.text, re.DOTALL))
    # By hand: seven columns; the sixth has 25.4 and 36.5, the last is left out.
    assert [k for k in made if made[k].strip()] == list("012345")
    assert "25.4 to 36.5 cm³" in made["5"]
    assert "It can be used." in part.text
    assert "<html" not in part.text


def test_what_is_made_of_each_column_stands_there_before_anything_is_chosen(visit):
    slow = WIDE.replace(b"normal kPa", b"normal MPa")
    send(visit, ("workshop.csv", slow))
    said = visit.text(f"/take-in/{looked(visit).id}/columns", file="workshop.csv")
    assert "25.4 to 36.5 cm³ 2 filled" in said
    # By hand: the profile lets the trim learn up to 200 kPa, 0.2 MPa; 18 and 12 MPa are beyond it.
    assert "most lie outside the range that can be learned (-0.2 to 0.2 MPa): is the unit right?" in said
    assert "It can be used; 1 column to look at. 1-2 apply normal MPa" in said


def test_units_that_the_store_does_not_know_are_added_on_the_way(empty):
    rows = ROWS.replace(b"much", b"12")
    send(empty, ("s.csv", rows), ("workshop.csv", WIDE))
    first = looked(empty)
    said = empty.text(f"/take-in/{first.id}")
    assert "2 units that are not in the store" in said
    assert "unit-09 2 rows" in said
    wrong = empty.post(f"/take-in/{first.id}/units", 400, profile="generic-6")
    assert "no unit is chosen" in words(wrong.text)
    empty.post(f"/take-in/{first.id}/units", 400, unit="nobody", profile="generic-6")
    answer = empty.post(f"/take-in/{first.id}/units", unit="unit-09", profile="generic-6", site="yard 9")
    assert "1 unit added. This is how the files look now." in words(answer.text)
    again = looked(empty)
    told = next(f["report"] for f in again.result["files"] if f["file"] == "s.csv")
    assert (told["new"], told["quarantined"], told["unknown_units"]) == (2, 1, {"unit-9": 1})
    with driftwatch.open(empty.page.settings.db, read_only=True) as store:
        unit = store.unit_list().iloc[0]
        assert (unit["unit"], unit["site"], unit["snapshots"]) == ("unit-09", "yard 9", 0)
        assert store.files()["name"].tolist() == ["typed in, unit-09"]


def test_values_of_one_line_are_put_right_together(visit):
    wide = WIDE.replace(b"unit-02,2026-03-02", b"unit-2,2026-03-02")
    send(visit, ("workshop.csv", wide))
    visit.post(f"/take-in/{looked(visit).id}/columns?file=workshop.csv", **CHOSEN, do="keep")
    visit.post(f"/take-in/{looked(visit).id}")
    visit.done()
    held = quarantine(visit)
    assert len(held) == 3
    listed = visit.text("/take-in/quarantine")
    assert "there is no unit “unit-2” in the store 3 workshop.csv , line 3 Put them right" in listed
    address = f"/take-in/quarantine/row?id={held['quarantine_id'].iloc[1]}&all=yes"
    form = visit.get(address).text
    assert "3 rows that could not be right" in words(form)
    fields = dict(re.findall(r'name="(field-[^"]+)" value="([^"]*)"', form))
    # What differs between the three (shift or pack, signal, value) is not offered, and stays as it was read.
    assert not {"12", "9", "36.5"} & {*fields.values()}
    unit = next(name for name, text in fields.items() if text == "unit-2")
    wrong = visit.post(address, 400, **{**fields, unit: "unit-7"})
    assert "they still cannot be right: there is no unit “unit-7”" in words(wrong.text)
    assert "3 rows taken." in words(visit.post(address, **{**fields, unit: "unit-02"}).text)
    assert quarantine(visit).empty
    with driftwatch.open(visit.page.settings.db, read_only=True) as store:
        last = store.readings(units=["unit-02"]).iloc[-3:]
    assert set(last["value"]) == {12.0, 9.0, 36.5}


def test_the_history_tells_the_values_of_one_line_once_and_in_words(visit):
    send(visit, ("workshop.csv", WIDE.replace(b"unit-02,2026-03-02", b"unit-02,2099-03-02")))
    visit.post(f"/take-in/{looked(visit).id}/columns?file=workshop.csv", **CHOSEN, do="keep")
    visit.post(f"/take-in/{looked(visit).id}")
    visit.done()
    assert "2099-03-02 is in the future (3 values)" in visit.text("/unit/history", name="unit-02")
    first, *_, last = quarantine(visit)["quarantine_id"]
    form = visit.get("/take-in/quarantine/row", id=first, all="yes").text
    fields = dict(re.findall(r'name="(field-[^"]+)" value="([^"]*)"', form))
    day = next(name for name, text in fields.items() if text.startswith("2099"))
    visit.post(f"/take-in/quarantine/row?id={last}", do="drop", note="twice")
    visit.post(f"/take-in/quarantine/row?id={first}&all=yes", **{**fields, day: "2026-03-02"})
    said = visit.text("/unit/history", name="unit-02")
    assert "is in the future (2 values) Read on: 2099-03-02 Read on: 2026-03-02 workshop.csv , 3" in said
    assert "is in the future twice Unit: unit-02, Read on: 2099-03-02, Odometer, km: 190000" in said
    assert "{" not in said


def test_a_mapping_that_is_sent_along_is_used(visit):
    from driftwatch.intake.draft import draft_mapping
    from driftwatch.intake.readers import read_table
    from driftwatch.profile.load import builtin

    place = visit.page.folder.scratch / "workshop.csv"
    place.write_bytes(WIDE)
    mapping = draft_mapping(read_table(place), builtin("generic-6"))
    send(visit, ("workshop.csv", WIDE), ("workshop.mapping.toml", mapping.to_toml().encode()))
    job = looked(visit)
    assert [f["file"] for f in job.result["files"]] == ["workshop.csv"]
    assert job.result["files"][0]["report"]["new"] == 6
    assert "See or change what the columns of workshop.csv are" in visit.text(f"/take-in/{job.id}")


# --- what is hostile ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("sent", "kept"),
    [
        ("../../../etc/cron.d/x.csv", "x.csv"),
        ("..\\..\\boot.csv", "boot.csv"),
        ("D:\\own\\b.csv", "b.csv"),
        (".hidden.csv", "hidden.csv"),
        ("..", "file"),
        ("a\x00b\n.csv", "ab.csv"),
        ("<script>alert(1)</script>.csv", "script.csv"),
        ("x" * 300 + ".csv", "x" * 100 + ".csv"),
        ("naïve – 北.csv", "naïve – 北.csv"),
    ],
)
def test_a_file_is_kept_under_a_name_that_can_do_no_harm(sent, kept):
    assert uploads.plain_name(sent) == kept


def test_two_files_of_one_name_are_two_files(visit):
    send(visit, ("a.csv", UNITS), ("A.csv", UNITS.replace(b"09", b"10")))
    assert [f["file"] for f in looked(visit).result["files"]] == ["a.csv", "A (2).csv"]


def bomb() -> bytes:
    """A workbook of a few kB that unpacks to a gigabyte."""
    out = io.BytesIO()
    book = openpyxl.Workbook()
    book.active.append(["unit", "profile"])
    book.save(out)
    made = io.BytesIO()
    with zipfile.ZipFile(out) as old, zipfile.ZipFile(made, "w", zipfile.ZIP_DEFLATED) as new:
        for name in old.namelist():
            if name != "xl/worksheets/sheet1.xml":
                new.writestr(name, old.read(name))
        with new.open("xl/worksheets/sheet1.xml", "w", force_zip64=True) as sheet:
            for _ in range(1000):
                sheet.write(b" " * 1_000_000)
    return made.getvalue()


HOSTILE = {
    "zeros.csv": (b"\x00" * 5000, "zero bytes"),
    "empty.csv": (b"", "empty"),
    "picture.csv": (b"\x89PNG\r\n" + b"x" * 100, "PNG"),
    "junk.xlsx": (b"PK\x03\x04" + b"junk" * 100, "not a workbook that can be read"),
    "text.xlsx": (b"unit,profile\n", "not XLSX but text"),
    "broken.parquet": (b"PAR1" + b"\xff" * 200 + b"PAR1", "Parquet"),
    "program.exe": (b"MZ", "are not read"),
    "script.csv": (b"<script>alert(1)</script>,x\n1,2\n", "no known kind"),
    "formula.csv": (b"=cmd|' /C calc'!A0,b\n1,2\n", "no known kind"),
    "bomb.xlsx": (None, "too large when unpacked"),
}


def test_what_is_no_readings_is_refused_in_one_line_each(visit):
    send(visit, *((name, bomb() if content is None else content) for name, (content, _) in HOSTILE.items()))
    job = looked(visit)
    assert job.state == "done", job.error
    told = {f["file"]: f["refused"] for f in job.result["files"]}
    assert set(told) == set(HOSTILE)
    for name, (_, reason) in HOSTILE.items():
        assert reason in told[name], told[name]
        assert "\n" not in told[name]
    shown = visit.get(f"/take-in/{job.id}").text
    assert "<script>alert" not in shown
    assert "Traceback" not in shown
    visit.post(f"/take-in/{job.id}", 400)


def test_names_in_files_never_become_markup(visit):
    nasty = '"><img src=x onerror=alert(1)>'
    units = (
        f'unit,profile,site,note\n"{nasty.replace(chr(34), chr(34) * 2)}",generic-6,<b>yard</b>,{{{{7*7}}}}\n'
    )
    send(visit, ("<i>units</i>.csv", units.encode()))
    visit.post(f"/take-in/{looked(visit).id}")
    assert visit.done().state == "done"
    visit.post("/log", unit=nasty, kind="other", day="2025-01-01", note="<svg onload=alert(1)>")
    visit.assessed()
    for path, query in (
        ("/", {"show": "units"}), ("/unit", {"name": nasty}), ("/unit/history", {"name": nasty}),
        ("/log", {}),
        ("/reports", {"unit": nasty}), ("/take-in/sheet", {"name": nasty}), ("/take-in", {}), ("/jobs", {}),
    ):  # fmt: skip
        text = visit.get(path, **query).text
        assert "<img" not in text, path
        assert "<svg onload" not in text, path
        assert "<b>yard" not in text, path
        assert ">49<" not in text, path


def test_nothing_chosen_is_said_so(visit):
    assert "no file was chosen" in words(visit.post("/take-in", 400).text)
    assert "a mapping alone" in words(send(visit, ("a.mapping.toml", b"x=1"), status=400).text)
    assert "no such kind" in words(send(visit, ("a.csv", UNITS), status=400, kind="letters").text)


def test_only_so_many_uploads_are_kept(visit, monkeypatch):
    monkeypatch.setattr(uploads, "KEPT_UPLOADS", 1)
    for k in range(3):
        send(visit, (f"{k}.csv", UNITS))
        looked(visit)
    assert len(list(visit.page.folder.uploads.iterdir())) == 1
    oldest = visit.page.jobs.newest("look")[-1]
    assert "no longer here" in visit.text(f"/take-in/{oldest.id}")
    assert "no longer here" in words(visit.post(f"/take-in/{oldest.id}", 400).text)


# --- the first files, and the demo --------------------------------------------------------------------------


def test_the_first_import_makes_the_store(empty, files):
    assert "Begin with your own readings" in empty.text("/")
    send(empty, *((f"{n}.csv", (files / f"{n}.csv").read_bytes()) for n in ("events", "snapshots", "units")))
    assert not empty.page.settings.db.exists()
    empty.post(f"/take-in/{looked(empty).id}")
    job = empty.done(empty.page.jobs.newest("import")[0].id)
    assert job.state == "done", job.error
    assert job.finished == ("units.csv", "snapshots.csv", "events.csv")
    empty.assessed()
    assert "3 transmissions" in empty.text("/")


def test_the_demo_is_offered_where_there_is_no_store_and_only_there(empty, visit):
    empty.post("/demo")
    job = empty.done(empty.page.jobs.newest("demo")[0].id)
    assert job.state == "done", job.error
    assert "The store holds an invented fleet now." in empty.text(f"/jobs/{job.id}")
    with driftwatch.open(empty.page.settings.db, read_only=True) as store:
        assert len(store.units()) == 24
    assert "there is a store already" in words(visit.post("/demo", 400).text)
