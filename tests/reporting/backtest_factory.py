"""A look back made by hand: every row set here, the key figures counted from them, no engine involved."""

from __future__ import annotations

from datetime import date, timedelta

from reporting_factory import AS_OF, NASTY

from driftwatch.assessment.backtest.figures import figures_of
from driftwatch.assessment.backtest.results import (
    Alarm,
    Backtest,
    Check,
    Delay,
    Flap,
    Lead,
    Range,
    Reached,
    Told,
)

ORIGINS = (date(2025, 9, 30), date(2025, 10, 31), date(2025, 11, 30), date(2025, 12, 31))
NEVER = Lead(None, None, None, False, None)


def a_range(outcome="inside", unit="U-02", clutch="pack3", **more):
    values = {
        "origin": ORIGINS[0], "unit": unit, "clutch": clutch, "service": "watch", "odometer_km": 80_000.0,
        "p10": 20_000.0, "p50": 30_000.0, "p90": 45_000.0, "chance_km": 10_000.0, "chance": 0.1,
        "outcome": outcome,
        "reached_km": {"inside": 33_000.0, "sooner": 15_000.0, "later": 50_000.0}.get(outcome),
        "followed_km": 60_000.0, "near": False, "whole": True, "came": False,
    }  # fmt: skip
    return Range(**{**values, **more})


def a_check(read=26.0, months=6, unit="U-02", clutch="pack3", **more):
    """Said 25 to 27, in the middle 26; a straight line said 24 to 28."""
    values = {
        "origin": ORIGINS[0], "unit": unit, "clutch": clutch, "months": months,
        "read_on": ORIGINS[0] + timedelta(days=30 * months), "from_cm3": 25.5, "low": 25.0, "middle": 26.0,
        "high": 27.0, "line_low": 24.0, "line_high": 28.0, "read": read,
    }  # fmt: skip
    return Check(**{**values, **more})


def reached(unit="U-02", plan=None, due=None, **more):
    values = {
        "unit": unit, "clutch": "pack3", "day": date(2026, 2, 10), "odometer_km": 113_000.0,
        "early_km": 110_000.0, "late_km": 116_000.0, "looks": 4,
        "plan": plan or Lead(ORIGINS[1], 20_400.0, 102, False, None),
        "due": due or Lead(ORIGINS[3], 8_200.0, 41, False, None),
    }  # fmt: skip
    return Reached(**{**values, **more})


def alarm(outcome="right", level="plan", unit="U-02", **more):
    values = {
        "unit": unit, "clutch": "pack3", "level": level, "raised_on": ORIGINS[1], "cleared_on": None,
        "within_km": 15_000.0 if level == "plan" else 5_000.0, "outcome": outcome,
        "came_km": 12_000.0 if outcome == "right" else None, "near": False,
    }  # fmt: skip
    return Alarm(**{**values, **more})


def told(cause="power", fate="kept", unit="U-02", **more):
    values = {
        "unit": unit, "cause": cause, "clutch": "", "after": date(2025, 8, 20), "by": date(2025, 9, 18),
        "first_on": ORIGINS[0], "last_on": ORIGINS[2], "times": 3, "probability": 0.9, "fate": fate,
        "became": "fluid" if fate == "changed" else "",
    }  # fmt: skip
    return Told(**{**values, **more})


def backtest(**rows):
    """Give a look back with these rows; whatever is left out is empty."""
    kinds = ("ranges", "checks", "reached", "alarms", "told", "delays", "flaps")
    made = {kind: tuple(rows.pop(kind, ())) for kind in kinds}
    values = {
        "start": ORIGINS[0], "end": ORIGINS[-1], "known": AS_OF, "every": 1, "origins": ORIGINS,
        "units": tuple(f"U-{k:02d}" for k in range(1, 25)), "fleet": 24, "made_by": "driftwatch",
        "years": {"plan": 6.0, "due": 8.0}, "pack_years": 40.0, **made, **rows,
    }  # fmt: skip
    figures = figures_of(
        len(values["origins"]), *(made[kind] for kind in kinds), values["years"], values["pack_years"]
    )
    return Backtest(**values, figures=figures)


def rich():
    """One of everything, with a unit whose name could break out of anything."""
    return backtest(
        ranges=[
            *(a_range(origin=day) for day in ORIGINS),
            a_range("sooner", NASTY, near=True),
            a_range("later", "U-04"),
            a_range("later", "U-05", reached_km=None),
            a_range("open", "U-06", p50=None, p90=None),
            a_range("renewed", "U-07"),
        ],
        checks=[
            a_check(24.5 + 0.25 * k, months, unit, origin=day)
            for k, unit in enumerate((NASTY, *(f"U-{n:02d}" for n in range(2, 12))))
            for months in (3, 6, 12)
            for day in ORIGINS
        ]
        + [a_check(low=None, middle=None, high=None)],
        reached=[
            reached(),
            reached(NASTY, plan=Lead(ORIGINS[0], 26_000.0, 133, True, None)),
            reached("U-04", plan=Lead(None, None, None, False, 18), due=NEVER, late_km=None),
        ],
        alarms=[
            alarm(),
            alarm("false", unit=NASTY, came_km=18_000.0),
            alarm("false", unit="U-08", near=True),
            alarm("open", "due", "U-06", cleared_on=ORIGINS[3]),
            alarm("renewed", "due", "U-07"),
        ],
        told=[
            told(),
            told("rebuild", "changed", NASTY),
            told("pressure", "gone", "U-09", by=None, times=1),
            told("wear", "renewed", "U-07", clutch="pack3", by=None),
        ],
        delays=[Delay("U-02", "power", date(2025, 10, 8), ORIGINS[1], 23, 1)],
        flaps=[Flap("U-08", "pack3", ORIGINS[1], "clear", "watch", "clear")],
    )
