"""One pack made by hand: its readings, and what was said of it, every number chosen.

Snapshots are 30 days and 4000 km apart, the first at 08:00 on 10 January 2024 and 50 000 km.
"""

from __future__ import annotations

from datetime import date

import numpy as np

from driftwatch.assessment.backtest.said import SaidPack
from driftwatch.assessment.results import UnitAnalysis, UnitAssessment
from driftwatch.changes.results import UnitFit
from driftwatch.panel.build import panels
from driftwatch.panel.panel import Event, Panel
from driftwatch.service.results import ClutchOutlook
from driftwatch.service.states import Standing
from tests.panel.by_hand import cell, records, time_of

LIMIT = 36.0
NOISE = 0.25
#: The month end just after snapshot k, for k from 0 on: 31 January 2024, ...
NONE = np.empty(0)


def panel_of(volumes: list[float], rebuilt: tuple[str, ...] = ()) -> Panel:
    """Give the readings of pack3 of unit A; a rebuild is logged at each of these times."""
    known = records(cell(volumes, mode="", channel="pack3", signal="clutch_volume"), len(volumes))
    made = panels(known)[0]
    log = tuple(Event(f"E{i}", np.datetime64(at, "us"), "rebuild") for i, at in enumerate(rebuilt))
    object.__setattr__(made, "events", log)
    return made


def analysis_of(
    volumes: list[float], life_start: int | None = 0, rebuilt: tuple[str, ...] = ()
) -> UnitAnalysis:
    """Give unit A as analysed at the end; `life_start` as the outlook has it, None without an outlook."""
    panel = panel_of(volumes, rebuilt)
    shape = panel.values.shape
    fit = UnitFit(panel.values, np.zeros(shape), np.zeros(1), np.zeros(1), np.full(1, NOISE), ())
    clutches = () if life_start is None else (outlook(life_start),)
    said = UnitAssessment(
        "A", "generic-6", len(volumes), None, None, None, None, "steady", "", (), clutches, ()
    )
    return UnitAnalysis(panel, fit, said)


def outlook(life_start: int = 0) -> ClutchOutlook:
    """An outlook of which only the life's start means anything."""
    never = dict.fromkeys(("p10", "p50", "p90"))
    return ClutchOutlook(
        "pack3", life_start, 30.0, 31.0, 0.5, (0.4, 0.6), LIMIT, "", 0.1, 0.01, never, never,
        (10_000.0, 0.0), Standing("clear", 40_000.0, 0.0), NONE, NONE, NONE, NONE, "",
    )  # fmt: skip


def said(
    last: int,
    service: str = "clear",
    p10: float = np.inf,
    p50: float = np.inf,
    p90: float = np.inf,
    origin: date | None = None,
    chance: float = 0.0,
    **more: object,
) -> SaidPack:
    """What was said of pack3 of unit A when snapshot `last` was the newest."""
    values = {
        "origin": origin or time_of(last).date(), "unit": "A", "clutch": "pack3", "last": last,
        "life_start": 0, "volume_cm3": 30.0, "limit_cm3": LIMIT, "service": service, "p10": p10, "p50": p50,
        "p90": p90, "chance_km": 10_000.0, "chance": chance,
    }  # fmt: skip
    return SaidPack(**{**values, **more})  # type: ignore[arg-type]


def km_at(snapshot: float) -> float:
    """Odometer at a snapshot, or between two."""
    return 50_000.0 + 4000.0 * snapshot
