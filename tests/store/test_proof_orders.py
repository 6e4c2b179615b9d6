"""Files that do not contradict each other end in the same store, whatever order they come in."""

from __future__ import annotations

import shutil
from random import Random

import pytest

from driftwatch.intake.batch import read_batches
from driftwatch.store.database import Database

HEAD = "unit,taken_at,odometer_km,mode,channel,signal,value,fluid_temp_c,learn_count,source\n"
SHIFTS = ("1-2", "2-3", "3-4")


def rows(unit, month, days, base, temp=""):
    random = Random(f"{unit} {month}")
    made = []
    for day in days:
        for mode in ("normal", "tow"):
            for shift in SHIFTS:
                cell = f"{unit},2026-0{month}-{day:02d},{base + 40 * day},{mode},{shift},apply_trim"
                made.append(f"{cell},{random.gauss(0, 20) + day:.2f},{temp},,")
    return made


@pytest.fixture(scope="module")
def files(tmp_path_factory):
    """Nine files of a fleet: exports that overlap, late units, and rows that cannot be right."""
    folder = tmp_path_factory.mktemp("orders")
    a1, a2 = rows("A", 1, (5, 15, 25), 1000), rows("A", 2, (5, 15, 25), 3000)
    b1, c2 = rows("B", 1, (7, 17), 9000, "81"), rows("C", 2, (7, 17), 500)
    wrong = [
        "A,2026-01-20,900,normal,1-2,apply_trim,1,,,",  # runs backwards, between 5 and 25 January
        "A,2026-01-15,1600,normal,9-9,apply_trim,1,,,",
        "Z,2026-01-15,1600,normal,1-2,apply_trim,1,,,",
        "B,2026-01-17,9680,tow,1-2,apply_trim,x,81,,",
    ]
    texts = {
        "units-1.csv": "unit,profile,site,Plate\nA,generic-6,north,P 1\nB,generic-6,,\n",
        "units-2.csv": "unit,profile,site\nB,generic-6,south\nC,generic-8,east\n",
        "january.csv": HEAD + "\n".join(a1 + b1 + wrong) + "\n",
        "february.csv": HEAD + "\n".join(a2 + c2) + "\n",
        "all-of-a.csv": HEAD + "\n".join(a1 + a2) + "\n",
        "b-again.csv": HEAD + "\n".join(b1) + "\n",
        "counts.csv": HEAD + "A,2026-02-25,4000,tow,3-4,apply_trim," + a2[-1].split(",")[6] + ",77,12,tool\n",
        "log.csv": "unit,happened_at,kind,amount,amount_unit,note\nA,2026-01-10,power,80,N.m,map\n"
        "C,2026-02-09,fluid,,,\n",
        "log-again.csv": "unit,happened_at,kind,note\nA,2026-01-10,power,\nQ,2026-02-09,fluid,\n",
    }
    for name, text in texts.items():
        (folder / name).write_text(text)
    return [read_batches(folder / name) for name in texts]


#: What a store says, without the numbers and times that it gives itself. Where several files say the same,
#: the first to come is its origin; so the origin is asked only of what stands in quarantine.
QUERIES = (
    "SELECT unit, profile, in_service_on, site, note FROM units",
    "SELECT unit, name, value FROM unit_fields",
    "SELECT unit, taken_at_local, odometer_km, odometer_entered, fluid_temp_c FROM snapshots",
    """SELECT unit, taken_at_local, mode, channel, signal, value, value_entered, learn_count, source
    FROM reading_list""",
    "SELECT unit, happened_at_local, kind, amount, amount_unit, note FROM events",
    "SELECT file, line, code, raw, unit FROM quarantine_list",
)


def said(db):
    return [sorted(db._con.execute(query).fetchall(), key=repr) for query in QUERIES]


#: A thousand orders, in shares that several processes can take; a smaller share runs with every test run.
SHARES = [pytest.param("few", 4), *(pytest.param(f"{n:02d}", 50, marks=pytest.mark.prove) for n in range(20))]


@pytest.mark.parametrize(("share", "times"), SHARES)
def test_any_order_of_the_same_files_ends_in_the_same_store(share, times, files, empty_store, tmp_path):
    random = Random(f"orders {share}")
    as_listed = stored_in_order(files, empty_store, tmp_path)
    assert len(as_listed[3]) == 3 * 6 * 2 + 2 * 6 + 2 * 6  # hand-counted: A in two months, B, C
    assert [row[0] for row in as_listed[5]] == ["january.csv"] * 4 + ["log-again.csv"]
    for _ in range(times):
        order = random.sample(files, len(files))
        assert stored_in_order(order, empty_store, tmp_path) == as_listed, [b[0].table.name for b in order]


def stored_in_order(order, empty_store, tmp_path):
    path = tmp_path / "in-order.duckdb"
    shutil.copyfile(empty_store, path)
    with Database.open(path) as db:
        for batches in order:
            report = db.import_batches(batches)
            assert report.rows == report.new + report.same + report.corrected + report.quarantined
        told = said(db)
        assert db.check() == []
    path.unlink()
    return told
