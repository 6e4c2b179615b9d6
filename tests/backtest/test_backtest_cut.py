"""Records cut in memory are those that the store gives as of that day, and so are the assessments."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np
import pandas as pd
import pytest

import driftwatch
from driftwatch.assessment.assess import analyse
from driftwatch.assessment.backtest.cut import month_ends, origins_of, records_on
from driftwatch.errors import UsageError
from tests.panel.by_hand import cell, records

END = date(2025, 12, 31)
HEAD = "unit,taken_at,odometer_km,mode,channel,signal,value,fluid_temp_c,learn_count,source\n"


def rows(unit: str, first: str, months: range, late_mode: int = 99) -> list[str]:
    """A pack and two shifts a month; the mode `tow` is first driven in a later month."""
    made = []
    for m in months:
        at = pd.Timestamp(first) + pd.Timedelta(days=30 * m)
        rng = np.random.default_rng(m)
        head = f"{unit},{at:%Y-%m-%dT%H:%M},{50_000 + 3_000 * m}"
        made.append(f"{head},,pack3,clutch_volume,{25 + 0.3 * m + rng.normal(0, 0.2):.1f},80,,tool A")
        modes = ("normal", "tow") if m >= late_mode else ("normal",)
        made += [
            f"{head},{mode},{shift},apply_trim,{10 + rng.normal(0, 2):.0f},80,25,"
            for mode in modes
            for shift in ("1-2", "2-3")
        ]
    return made


@pytest.fixture(scope="module")
def store(tmp_path_factory):
    folder = tmp_path_factory.mktemp("cut")
    (folder / "units.csv").write_text(
        "unit,profile\nB,generic-6\nA,generic-6\nlate,generic-6\nnever,generic-6\n"
    )
    lines = rows("A", "2024-01-10T23:50", range(18), late_mode=9) + rows("B", "2024-02-29T00:00", range(16))
    lines += rows("late", "2025-03-31T00:00", range(8))
    (folder / "snapshots.csv").write_text(HEAD + "\n".join(lines) + "\n")
    (folder / "events.csv").write_text(
        "unit,happened_at,kind,note\nB,2024-10-31T23:59,fluid,last minute\n"
        "A,2024-11-01,power,first of the month\nA,2025-02-03,rebuild,\n"
    )
    with driftwatch.open(folder / "s.duckdb", create=True) as made:
        for name in ("units", "snapshots", "events"):
            assert made.import_file(folder / f"{name}.csv", strict=True).new
        # Corrected and logged long afterwards, about days long before: by the store's rule both count then.
        corrected = lines[0].replace(lines[0].split(",")[6], "27.9")
        (folder / "corrected.csv").write_text(HEAD + corrected + "\n")
        assert made.import_file(folder / "corrected.csv").corrected == 1
        made.add_event("A", "load", "2024-05-02", note="logged a year late")
        yield made


DAYS = (
    "2024-01-10",
    "2024-02-28",
    "2024-02-29",
    "2024-10-31",
    "2024-11-01",
    "2025-03-30",
    "2025-03-31",
    "2025-12-31",
)


@pytest.mark.parametrize("day", DAYS)
def test_the_cut_gives_the_frames_of_the_store(store, day):
    cut, asked = records_on(store.records(END), date.fromisoformat(day)), store.records(day)
    assert cut.as_of == asked.as_of
    assert cut.profiles == asked.profiles
    for name in ("units", "snapshots", "readings", "events"):
        pd.testing.assert_frame_equal(getattr(cut, name), getattr(asked, name), check_categorical=True)


def test_a_later_correction_counts_for_earlier_days_as_it_does_in_an_assessment(store):
    early = records_on(store.records(END), date(2024, 1, 31))
    volume = early.readings[(early.readings["unit"] == "A") & (early.readings["signal"] == "clutch_volume")]
    assert list(volume["value"]) == [27.9]
    assert "logged a year late" in set(records_on(store.records(END), date(2024, 5, 31)).events["note"])


@pytest.mark.parametrize("day", ["2024-06-30", "2024-12-31", "2025-04-30", "2025-10-31"])
def test_an_assessment_of_the_cut_is_that_of_the_store(store, day):
    cut = analyse(records_on(store.records(END), date.fromisoformat(day)), store.settings)
    asked = store.analyse(day)
    assert [a.assessment.to_dict() for a in cut] == [a.assessment.to_dict() for a in asked]
    for mine, theirs in zip(cut, asked, strict=True):
        for one, other in zip(mine.assessment.clutches, theirs.assessment.clutches, strict=True):
            np.testing.assert_array_equal(one.fan_p50, other.fan_p50)


def test_the_cut_leaves_the_whole_as_it_was(store):
    whole = store.records(END)
    before = [len(getattr(whole, n)) for n in ("snapshots", "readings", "events")]
    records_on(whole, date(2024, 6, 30))
    assert [len(getattr(whole, n)) for n in ("snapshots", "readings", "events")] == before
    assert list(whole.snapshots["unit"].cat.categories) == ["A", "B", "late"]


def test_month_ends_by_hand():
    assert month_ends(date(2023, 12, 15), date(2024, 3, 30)) == (
        date(2023, 12, 31),
        date(2024, 1, 31),
        date(2024, 2, 29),
    )
    assert month_ends(date(2024, 1, 31), date(2024, 1, 31)) == (date(2024, 1, 31),)
    assert month_ends(date(2024, 2, 1), date(2024, 2, 28)) == ()
    assert month_ends(date(2023, 12, 1), date(2024, 10, 31), 3) == (
        date(2024, 1, 31), date(2024, 4, 30), date(2024, 7, 31), date(2024, 10, 31)
    )  # fmt: skip


def of_pack(count: int, as_of: date):
    """One unit read every 30 days from 10 January 2024 on."""
    return records(cell([30.0] * count, mode="", channel="pack3", signal="clutch_volume"), count, as_of=as_of)


def test_month_ends_without_two_days():
    # Hand-solved: the fifth snapshot is of 9 May 2024, the last (twelfth) of 5 December 2024.
    found = origins_of(of_pack(12, date(2025, 6, 15)), None, None, 1, 5)
    assert (found[0], found[-1], len(found)) == (date(2024, 5, 31), date(2024, 12, 31), 8)
    # The last day known is no month end to look back from: nothing came after it.
    found = origins_of(of_pack(12, date(2024, 12, 31)), None, None, 1, 5)
    assert found[-1] == date(2024, 11, 30)


def test_a_month_end_needs_a_unit_that_was_read_often_enough():
    # Hand-solved: of twelve snapshots the first three read nothing, so the fifth reading is of the eighth
    # snapshot, 7 August 2024.
    known = records(
        cell([np.nan] * 3 + [30.0] * 9, mode="", channel="pack3", signal="clutch_volume"),
        12,
        as_of=date(2025, 6, 15),
    )
    assert origins_of(known, None, None, 1, 5)[0] == date(2024, 8, 31)


def test_days_that_cannot_be():
    known = of_pack(12, date(2025, 6, 15))
    for start, end, every, says in (
        (None, date(2025, 6, 16), 1, "is in the future"),
        (date(2025, 3, 2), date(2025, 3, 1), 1, "does not lie before"),
        (date(2025, 3, 2), date(2025, 3, 30), 1, "no month end"),
        (date(2020, 3, 2), date(2020, 8, 30), 1, "no month end"),
        (None, None, 0, "every 0 months"),
    ):
        with pytest.raises(UsageError, match=says):
            origins_of(known, start, end, every, 5)
    with pytest.raises(UsageError, match="no month end"):
        origins_of(of_pack(4, date(2025, 6, 15)), None, None, 1, 5)
    nothing = replace(known, snapshots=known.snapshots.iloc[:0])
    with pytest.raises(UsageError, match="no snapshots"):
        origins_of(nothing, None, None, 1, 5)
    assert origins_of(known, date(2019, 1, 1), None, 1, 5)[0] == date(2024, 1, 31), "nothing was read before"
