"""Files with anything wrong: no traceback, the right exit code, and row counts that add up.

Sound files are mutated at random, with a corpus of oddities that real files hold; `make prove` takes ten
thousand of them.
"""

from __future__ import annotations

import io
import json
import shutil
from random import Random

import openpyxl
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from driftwatch.intake.template import write_template
from driftwatch.profile.load import builtin

#: What real files hold, and what somebody may try.
ODDITIES = [
    b"", b" ", b"\x00", b"\r", b"\n", b"\r\n", b"\t", b",", b";", b"|", b'"', b"''", b'""', b'"\n"',
    b"\\", b"\xef\xbb\xbf", b"\xff\xfe", b"\xc3\x28", b"\xe2\x80\xa8", b"\xa0", "\u202e".encode(),
    "é".encode("cp1252"), b"nan", b"NaN", b"inf", b"-inf", b"1e309", b"-0", b"0x1F", b"1_000", b"1,5",
    b"1.234,5", b"1,234.5", b"1 234", b"--1", b"+", b"-", b".", b"1e", b"\xe2\x88\x925",
    b"99999999999999999999", b"1.7976931348623157e308", b"#N/A", b"#REF!", b"#DIV/0!", b"NULL", b"None",
    b"n/a", b"TRUE", b"=1+1", b"=HYPERLINK(\"x\")", b"@SUM(A1)", b"2026-02-30", b"2026-13-01",
    b"0000-00-00", b"9999-12-31", b"1899-12-30", b"46095", b"03/04/2026", b"2026-03-14T25:00",
    b"2026-03-14T09:20+99:00", b"2026-03-14T09:20:60Z", b"20260314", b"2026-W11-6",
    b"'; DROP TABLE readings; --", b"\"; DELETE FROM units; --", b"{unit}", b"%s%n", b"${HOME}", b"$(id)",
    b"`id`", b"<script>alert(1)</script>", b"../../etc/passwd", b"\x1b[2J", b"\x07", b"x" * 300,
    b"\xf0\x9f\x9a\x9a", b"unit", b"UNIT", b"value", b"taken_at", b"kind", b"profile", b"generic-6",
    b"generic-9", b"degF", b"psi", b"kg", b"normal", b"tow", b"1-2", b"pack1", b"clutch_volume",
    b"apply_trim", b"sep=;\n",
]  # fmt: skip

UNITS = (
    "unit,profile,in_service_on,site,note,Plate\nu1,generic-6,2020-05-01,north,x,P 1\nu2,generic-8,,south,,\n"
)
EVENTS = (
    "unit,happened_at,kind,amount,amount_unit,note\nu1,2025-01-05,power,100,lb.ft,map\n"
    'u2,2025-01-06,repair,,,"valve, ""new"""\nu1,2025-02-01,load,2,t,\n'
)
HEAD = "unit,taken_at,odometer_km,mode,channel,signal,value,value_unit,fluid_temp_c,learn_count,source"


def snapshot_text(delimiter=",", decimal="."):
    lines = [HEAD.replace(",", delimiter)]
    for month in range(1, 5):
        for channel, signal, mode, value in (
            ("pack1", "clutch_volume", "", 36.5),
            ("1-2", "apply_trim", "normal", 12.25),
            ("2-3", "shift_time", "tow", 0.51),
        ):
            fields = ["u1", f"2025-0{month}-10T09:20", str(1000 * month), mode, channel, signal]
            fields += [str(value + month / 8).replace(".", decimal), "", "80", str(month), "tool"]
            lines.append(delimiter.join(fields))
    return "\n".join(lines) + "\n"


@pytest.fixture(scope="module")
def sound(tmp_path_factory):
    """Sound files of every form: name, bytes, options."""
    folder = tmp_path_factory.mktemp("sound")
    book = openpyxl.Workbook()
    book.active.title = "data"
    for text in snapshot_text().splitlines():
        book.active.append([float(f) if f.replace(".", "").isdigit() else f for f in text.split(",")])
    log = book.create_sheet("log")
    for text in EVENTS.splitlines():
        log.append(text.split(","))
    stream = io.BytesIO()
    book.save(stream)
    rows = [
        dict(zip(HEAD.split(","), text.split(","), strict=True)) for text in snapshot_text().splitlines()[1:]
    ]
    pq.write_table(pa.Table.from_pylist(rows), folder / "p.parquet")
    form = openpyxl.load_workbook(write_template(folder / "t.xlsx", builtin("generic-6")))
    sheet = form.active
    sheet["B2"], sheet["B3"], sheet["B4"], sheet["B6"] = "u1", "2025-06-01", 9000, 80
    sheet["B10"] = 36.1
    form.save(folder / "t.xlsx")
    wide = "Truck;Read on;Miles;Fluid degF;1-2 apply tow psi;P3 vol in3\n"
    wide += "".join(f"u1;0{m}/10/2025;{600 * m};180;1,{m};1,{m}\n" for m in range(1, 5))
    (folder / "m.toml").write_text(
        'time_format = "%m/%d/%Y"\n[columns]\nunit = "Truck"\ntaken_at = "Read on"\nodometer = "Miles"\n'
        'fluid_temp = "Fluid degF"\n[units]\nodometer = "mi"\nfluid_temp = "degF"\n'
        '[[cell]]\ncolumn = "1-2 apply tow psi"\nchannel = "1-2"\nsignal = "apply_trim"\nmode = "tow"\n'
        'unit = "psi"\n'
        '[[cell]]\ncolumn = "P3 vol in3"\nchannel = "pack3"\nsignal = "clutch_volume"\nunit = "in3"\n'
    )
    return [
        ("u.csv", UNITS.encode(), ()),
        ("e.csv", EVENTS.encode(), ()),
        ("s.csv", snapshot_text().encode(), ()),
        ("s.csv", snapshot_text(";", ",").encode(), ()),
        ("s.tsv", snapshot_text("\t").encode("utf-16"), ()),
        ("w.csv", wide.encode(), ("--mapping", str(folder / "m.toml"))),
        ("b.xlsx", stream.getvalue(), ()),
        ("t.xlsx", (folder / "t.xlsx").read_bytes(), ()),
        ("p.parquet", (folder / "p.parquet").read_bytes(), ()),
    ]


def mutated(content, random):
    """Change a file a little, or a lot."""
    data = bytearray(content)
    for _ in range(random.choice((1, 1, 1, 2, 3, 8))):
        at = random.randrange(len(data) + 1)
        to = min(len(data), at + random.choice((1, 1, 2, 5, 20, 100)))
        how = random.randrange(8)
        if how == 0 and data:
            data[at % len(data)] ^= 1 << random.randrange(8)
        elif how == 1:
            del data[at:to]
        elif how == 2:
            data[at:at] = data[at:to]
        elif how == 3:
            data[at:at] = random.choice(ODDITIES)
        elif how == 4:
            data[at:to] = random.choice(ODDITIES)
        elif how == 5:
            del data[random.choice((at, len(data) // 2)) :]
        else:
            _change_field(data, random)
    return bytes(data)


def _change_field(data, random):
    """Put something else into one field, or take a line twice or out."""
    lines = bytes(data).split(b"\n")
    place = random.randrange(len(lines))
    if random.random() < 0.2:
        lines[place:place] = [lines[random.randrange(len(lines))]]
    elif random.random() < 0.1:
        del lines[place]
    else:
        sign = random.choice((b",", b";", b"\t"))
        fields = lines[place].split(sign)
        fields[random.randrange(len(fields))] = random.choice(ODDITIES)
        lines[place] = sign.join(fields)
    data[:] = b"\n".join(lines)


@pytest.fixture(scope="module")
def start(tmp_path_factory):
    """A store with the two units and some readings."""
    from driftwatch.cli.main import run

    folder = tmp_path_factory.mktemp("start")
    (folder / "u.csv").write_text("unit,profile\nu1,generic-6\nu2,generic-8\n")
    (folder / "s.csv").write_text(snapshot_text())
    store = folder / "s.duckdb"
    assert run(["--db", str(store), "import", str(folder / "u.csv"), str(folder / "s.csv")]) == 0
    return store


@pytest.mark.parametrize("times", [40, pytest.param(10_000, marks=pytest.mark.prove)])
def test_whatever_is_in_a_file_it_ends_well(times, sound, start, cli, tmp_path):
    random = Random(f"mutated {times}")
    store = tmp_path / "s.duckdb"
    codes = {0: 0, 3: 0, 4: 0}
    for number in range(times):
        if number % 100 == 0:
            store.unlink(missing_ok=True)
            shutil.copyfile(start, store)
        name, content, options = random.choice(sound)
        changed = mutated(content, random)
        (tmp_path / name).write_bytes(changed)
        done = cli("import", name, *options, "--format", "json", db=store)
        keep = tmp_path / f"bad-{number}-{name}"
        assert done.code in codes, (shutil.copyfile(tmp_path / name, keep), done)
        assert "Traceback" not in done.err, (number, done)
        assert "a fault in the program" not in done.err, (number, done)
        (told,) = json.loads(done.out) if done.out else ({"refused": True},)
        if told["refused"]:
            assert done.code == 4, (number, done)
        else:
            total = told["new"] + told["same"] + told["corrected"] + told["quarantined"]
            assert told["rows"] == total, (number, told)
            assert len(told["problems"]) == told["quarantined"]
            assert done.code == (3 if told["quarantined"] else 0), (number, done)
            if (
                name == "s.csv"
                and b'"' not in changed
                and changed.startswith(HEAD.encode())
                and changed.isascii()
            ):
                # Second implementation: every line but the header and those without a sign is a row.
                lines = changed.decode().replace("\r\n", "\n").replace("\r", "\n").split("\n")[1:]
                assert told["rows"] == sum(bool(line.strip(" ,\t")) for line in lines), (
                    number,
                    told,
                )
        codes[done.code] += 1
        if number % 100 == 99:
            assert cli("check", db=store).code == 0, number
    assert all(codes.values()), codes
