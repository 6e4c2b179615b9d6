"""The whole look back on a small store, against what the store itself says as of each month end."""

from __future__ import annotations

import json
from datetime import date, timedelta

import numpy as np
import pandas as pd
import pytest

import driftwatch
from driftwatch.assessment.backtest.cut import month_ends
from driftwatch.assessment.backtest.figures import MEANINGS
from driftwatch.assessment.backtest.results import (
    ALARM_OUTCOMES,
    FATES,
    RANGE_OUTCOMES,
    TABLES,
    Backtest,
)
from driftwatch.assessment.backtest.run import backtest
from driftwatch.errors import UnknownName, UsageError

FIRST = pd.Timestamp("2024-01-10T08:00")
SNAPSHOTS = 22
END = date(2025, 10, 31)
START, STOP = date(2024, 6, 30), date(2025, 9, 30)
#: Volume of pack3 at snapshot k, without noise; the limit is 36 cm3.
COURSES = {
    "calm": lambda k: 25.0 + 0.02 * k,
    # Reaches 36 cm3 at 16.4 snapshots: 492 days on, 16 May 2025, 115 600 km.
    "worn": lambda k: 27.8 + 0.5 * k,
    # At 33.7 cm3 when all its packs are renewed, between snapshots 14 and 15.
    "renewed": lambda k: 26.7 + 0.5 * k if k < 15 else 24.5 + 0.05 * (k - 15),
}


def rows() -> list[str]:
    rng = np.random.default_rng(41)
    made = []
    for unit, volume in COURSES.items():
        for k in range(SNAPSHOTS):
            head = f"{unit},{FIRST + pd.Timedelta(days=30 * k):%Y-%m-%dT%H:%M},{50_000 + 4_000 * k}"
            made.append(f"{head},,pack3,clutch_volume,{volume(k) + rng.normal(0, 0.1):.2f}")
            made += [
                f"{head},,{pack},clutch_volume,{new + 0.01 * k + rng.normal(0, 0.1):.2f}"
                for pack, new in (("pack1", 36), ("pack2", 32), ("pack4", 28), ("pack5", 52))
            ]
            made += [
                f"{head},normal,{shift},apply_trim,{10 + rng.normal(0, 2):.0f}" for shift in ("1-2", "2-3")
            ]
    return made


@pytest.fixture(scope="module")
def store(tmp_path_factory):
    folder = tmp_path_factory.mktemp("backtest")
    (folder / "units.csv").write_text("unit,profile\n" + "".join(f"{u},generic-6\n" for u in COURSES))
    head = "unit,taken_at,odometer_km,mode,channel,signal,value\n"
    (folder / "snapshots.csv").write_text(head + "\n".join(rows()) + "\n")
    # Snapshot 15 is of 4 April 2025.
    (folder / "events.csv").write_text("unit,happened_at,kind\nrenewed,2025-03-20,rebuild\n")
    with driftwatch.open(folder / "s.duckdb", create=True) as made:
        for name in ("units", "snapshots", "events"):
            assert made.import_file(folder / f"{name}.csv", strict=True).new
        yield made


@pytest.fixture(scope="module")
def looked(store) -> Backtest:
    return backtest(store.records(END), store.settings, START, STOP)


@pytest.fixture(scope="module")
def said(store):
    """What the store says as of each month end: day -> unit -> pack3's outlook as plain values."""
    found = {}
    for day in month_ends(START, STOP):
        units = store.assess(day).to_dict()["units"]
        found[day] = {
            u["unit"]: next((c for c in u["clutches"] if c["clutch"] == "pack3"), None) for u in units
        }
    return found


def test_the_month_ends(looked, said):
    assert looked.origins == tuple(said)
    assert (looked.start, looked.end, looked.known, looked.every) == (START, STOP, END, 1)
    assert (set(looked.units), looked.fleet) == (set(COURSES), 3)
    assert looked.figure("month_ends").value == 16


def test_the_limit_is_seen_where_it_was_put(looked):
    (reached,) = looked.reached
    assert (reached.unit, reached.clutch) == ("worn", "pack3")
    # Hand-solved above; readings scatter by 0.1 cm3, which is 800 km of growth, and are shown to 0.1 mm3.
    assert reached.odometer_km == pytest.approx(115_600, abs=2 * 800)
    assert abs(reached.day - date(2025, 5, 16)) <= timedelta(days=12)
    assert reached.early_km < reached.odometer_km < reached.late_km
    assert reached.looks == len([d for d in looked.origins if d < reached.day])


def test_what_was_said_is_what_the_store_says_as_of_that_day(looked, said):
    for r in looked.ranges:
        if r.clutch == "pack3":
            then = said[r.origin][r.unit]
            assert (r.p10, r.p50, r.p90) == tuple(then["remaining_km"].values())
            assert (r.service, r.chance) == (then["service"], then["chance_within"]["probability"])
    asked = [(r.origin, r.unit) for r in looked.ranges if r.clutch == "pack3"]
    (reached,) = looked.reached
    # Of the worn pack nothing is asked once its limit is reached.
    assert asked == [
        (day, unit)
        for day in said
        for unit, then in said[day].items()
        if then is not None and not (unit == "worn" and last_km(day) >= reached.odometer_km)
    ]


def last_km(day: date) -> float:
    """Odometer at the last snapshot up to a day: the same for all units."""
    taken = [k for k in range(SNAPSHOTS) if (FIRST + pd.Timedelta(days=30 * k)).date() <= day]
    return 50_000.0 + 4_000.0 * taken[-1]


def test_ranges_are_settled_as_they_would_be_by_hand(looked, said):
    (reached,) = looked.reached
    for r in looked.ranges:
        if (r.unit, r.clutch) == ("worn", "pack3"):
            distance = reached.odometer_km - last_km(r.origin)
            low, high = r.p10 or 0.0, r.p90 if r.p90 is not None else np.inf
            want = "sooner" if distance < low else "inside" if distance <= high else "later"
            assert r.outcome == want
            assert r.reached_km == pytest.approx(distance)
        elif r.unit == "renewed":
            # Snapshot 14 is the last before the rebuild; the new life lasts to the end.
            before = r.origin < date(2025, 4, 4)
            followed = (106_000 if before else 134_000) - last_km(r.origin)
            late = r.p90 is not None and r.p90 < followed
            assert r.outcome == ("later" if late else "renewed" if before else "open")
        elif r.unit == "calm":
            assert r.outcome == "open"
    settled = [r for r in looked.ranges if r.settled]
    inside = sum(r.outcome == "inside" for r in settled)
    assert looked.figure("range_holds").value == pytest.approx(inside / len(settled))
    assert looked.figure("range_holds").of == looked.figure("ranges_settled").value == len(settled)


@pytest.mark.parametrize("level", ["plan", "due"])
def test_the_lead_is_that_of_the_states_the_store_gives(looked, said, level):
    (reached,) = looked.reached
    states = ("clear", "watch", "plan", "due")
    before = [d for d in said if d < reached.day]
    on = None
    for day in reversed(before):
        then = said[day]["worn"]
        if then is None or states.index(then["service"]) < states.index(level):
            break
        on = day
    lead = getattr(reached, level)
    assert lead.on == on
    assert on is not None, "a pack that wears evenly should not come as a surprise"
    assert lead.days == (reached.day - on).days
    # 4000 km every 30 days: the distance follows from the days between the end of that day and the limit.
    gone = (pd.Timestamp(on) + pd.Timedelta(days=1) - FIRST) / pd.Timedelta(days=1)
    assert lead.km == pytest.approx(reached.odometer_km - (50_000 + gone * 4_000 / 30))
    assert looked.figure(f"{level}_lead_km").value == pytest.approx(lead.km)
    assert looked.figure(f"{level}_before").value == 1.0


def test_later_readings_are_held_against_the_forecast_of_then(store, looked):
    read = store.readings(END)
    checked = 0
    for c in looked.checks[:: max(len(looked.checks) // 40, 1)]:
        then = store.analyse(c.origin, [c.unit])[0]
        outlook = next(o for o in then.assessment.clutches if o.clutch == c.clutch)
        rows_ = read[(read["unit"] == c.unit) & (read["channel"] == c.clutch)]
        row = rows_[rows_["taken_at"].dt.date == c.read_on].iloc[0]
        assert c.read == row["value"]
        # The nearest reading to so many months of 30.44 days after the last one, in whole snapshots.
        last = (last_km(c.origin) - 50_000) / 4_000
        k = last + round(c.months * 30.44 / 30)
        km = 50_000 + 4_000 * k
        assert c.read_on == (FIRST + pd.Timedelta(days=30 * k)).date()
        if km > outlook.fan_km[-1]:
            assert (c.low, c.middle, c.high, c.inside, c.score) == (None,) * 5, "not drawn so far"
            continue
        column = [cell.channel for cell in then.panel.cells].index(c.clutch)
        noise = 1.2815515655446004 * then.fit.noise_sd[column]  # standard normal table: 90 %
        middle = np.interp(km, outlook.fan_km, outlook.fan_p50)
        assert c.middle == pytest.approx(middle)
        low, high = (np.interp(km, outlook.fan_km, f) for f in (outlook.fan_p10, outlook.fan_p90))
        assert c.low == pytest.approx(middle - np.sqrt((middle - low) ** 2 + noise**2))
        assert c.high == pytest.approx(middle + np.sqrt((high - middle) ** 2 + noise**2))
        checked += 1
    assert checked >= 30


def test_later_readings_stay_in_their_life(looked):
    rebuilt = date(2025, 4, 4)
    mine = [c for c in looked.checks if c.unit == "renewed"]
    assert mine
    assert not [c for c in mine if c.origin < rebuilt <= c.read_on]


def test_findings_are_those_of_the_store(store, looked):
    for told in looked.told:
        then = next(u for u in store.assess(told.first_on).units if u.unit == told.unit)
        assert any(
            f.cause == told.cause and f.probability == told.probability >= 0.5 and f.by == told.by
            for f in then.findings
        )
    renewed = [t for t in looked.told if t.unit == "renewed" and t.cause == "wear"]
    assert [t.fate for t in renewed] == ["renewed"]
    worn = [t for t in looked.told if t.unit == "worn" and t.cause == "wear"]
    assert [t.fate for t in worn] == ["kept"]


def test_every_third_month_counted_from_the_last(store, looked):
    quarterly = backtest(store.records(END), store.settings, START, STOP, every=3)
    assert quarterly.origins == looked.origins[::-1][::3][::-1]
    kept = [r for r in looked.ranges if r.origin in quarterly.origins]
    assert list(quarterly.ranges) == kept
    assert quarterly.pack_years == pytest.approx(3 * len(kept + reached_by_then(quarterly)) / 12)


def reached_by_then(looked: Backtest) -> list[date]:
    """Month ends at which something was said of the worn pack although its limit was behind it."""
    return [d for d in looked.origins if last_km(d) >= looked.reached[0].odometer_km]


def test_some_units_on_the_evidence_of_all(store, looked):
    one = backtest(store.records(END), store.settings, START, STOP, units=["worn"])
    assert (one.units, one.fleet) == (("worn",), 3)
    assert list(one.ranges) == [r for r in looked.ranges if r.unit == "worn"]
    assert one.reached == looked.reached
    with pytest.raises(UnknownName, match="nobody"):
        backtest(store.records(END), store.settings, START, STOP, units=["nobody"])


def test_what_was_analysed_already_is_taken(store, looked):
    steps = []
    again = backtest(
        store.records(END),
        store.settings,
        START,
        STOP,
        now=lambda: store.analyse(END),
        progress=lambda *said: steps.append(said),
    )
    assert again == looked
    assert {what for what, _, _ in steps} == {"looking back"}
    assert [done for _, done, _ in steps] == list(range(1, 3 * 16 + 1))
    assert {total for _, _, total in steps} == {3 * 16}


def test_the_door_gives_the_same_and_writes_it(store, looked, tmp_path):
    made = store.backtest("2024-06-30", "2025-09-30", as_of="2025-10-31")
    assert made == looked
    pages = store.write_backtest(made, tmp_path / "new")
    assert [p.suffix for p in pages] == [".html", ".json"]
    assert all(p.stat().st_size > 0 for p in pages)
    one = store.backtest("2025-06-01", as_of=END, every=2, units=["worn"])
    assert one.units == ("worn",)
    assert "on 1 of 3 units" in store.write_backtest(one, tmp_path)[0].read_text("utf-8")


def test_every_range_is_counted_once(looked):
    renewed = sum(r.outcome == "renewed" for r in looked.ranges)
    counted = looked.figure("ranges_settled").value + looked.figure("ranges_open").value
    assert counted + renewed == len(looked.ranges) > 0
    shares = [looked.figure(name).value for name in ("range_holds", "limit_sooner", "limit_later")]
    assert sum(shares) == pytest.approx(1.0)


def test_nothing_after_the_last_day_known_counts(store):
    """What is known up to June must not depend on what was read in July."""
    june = date(2025, 6, 30)
    early = backtest(store.records(june), store.settings, START, date(2025, 5, 31))
    assert early.known == june
    assert all(c.read_on <= june for c in early.checks)
    assert all(r.odometer_km + r.followed_km <= last_km(june) for r in early.ranges)
    with pytest.raises(UsageError, match="is in the future"):
        backtest(store.records(june), store.settings, START, date(2025, 7, 31))


# --- the result as data -------------------------------------------------------------------------------------


def test_figures_are_the_documented_ones_in_order(looked):
    assert [f.name for f in looked.figures] == list(MEANINGS)
    assert looked.figure("findings_kept").packs is None
    with pytest.raises(StopIteration):
        looked.figure("none")


def test_shares_lie_in_what_they_could_be(looked):
    for f in looked.figures:
        if f.unit == "share" and f.value is not None:
            assert 0.0 <= f.low <= f.high <= 1.0
            assert f.of > 0


def test_words_of_outcomes(looked):
    assert {r.outcome for r in looked.ranges} <= set(RANGE_OUTCOMES)
    assert {a.outcome for a in looked.alarms} <= set(ALARM_OUTCOMES)
    assert {t.fate for t in looked.told} <= set(FATES)


def test_as_plain_values(looked):
    text = json.dumps(looked.to_dict(), allow_nan=False)
    back = json.loads(text)
    assert back["format"] == "driftwatch-backtest"
    assert back["known"] == "2025-10-31"
    assert back["origins"][0] == "2024-06-30"
    assert len(back["ranges"]) == len(looked.ranges)
    assert back["reached"][0]["plan"]["on"] == looked.reached[0].plan.on.isoformat()
    assert {"inside", "score", "line_score"} <= set(back["checks"][0])


@pytest.mark.parametrize("what", TABLES)
def test_as_frames(looked, what):
    frame = looked.to_frame(what)
    assert len(frame) == len(getattr(looked, what))
    assert not frame.columns.duplicated().any()
    empty = Backtest(**{**{n: getattr(looked, n) for n in looked.__dataclass_fields__}, what: ()}).to_frame(
        what
    )
    assert list(empty.columns) == list(frame.columns)
    assert len(empty) == 0


def test_no_such_frame(looked):
    with pytest.raises(ValueError, match="none of figures"):
        looked.to_frame("nothing")
    assert "16 month ends" in repr(looked)
