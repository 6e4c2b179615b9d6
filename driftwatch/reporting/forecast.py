"""A pack's way to its limit, drawn from its readings on through its forecast."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np

from driftwatch.assessment.results import UnitAnalysis
from driftwatch.reporting.outlooks import due_words
from driftwatch.reporting.parts import Chart, Table
from driftwatch.reporting.picture import BLUE, INK, RED, Picture
from driftwatch.service.results import ClutchOutlook
from driftwatch.wording import as_date, chart_day, day, grouped, name, shown, to_step, unit_sign

#: Free space beyond what is drawn, as a share of its height.
ROOM = 0.08


def forecast(analysis: UnitAnalysis, outlook: ClutchOutlook) -> Chart | None:
    """Draw one pack's way to its limit on a date axis (odometer where the unit's use is not known).

    Readings since the pack's present life began, the even chance ahead, the 80 % range and the limit. None
    where there is no forecast to draw.
    """
    panel = analysis.panel
    index = next(
        (i for i, c in enumerate(panel.cells) if c.signal == "clutch_volume" and c.channel == outlook.clutch),
        None,
    )
    if index is None or len(outlook.fan_km) == 0:
        return None
    is_read = np.isfinite(panel.values[:, index]) & (np.arange(len(panel.taken_at)) >= outlook.life_start)
    step = panel.profile.signal("clutch_volume").resolution
    volumes = shown(panel.values[is_read, index], "cm3").tolist()
    fans = (outlook.fan_p10, outlook.fan_p50, outlook.fan_p90)
    low, middle, high = (shown(fan, "cm3").tolist() for fan in fans)
    now, limit = (to_step(volume, step, "cm3") for volume in (outlook.volume_cm3, outlook.limit_cm3))
    level = shown(outlook.limit_cm3, "cm3")
    cm3, km = unit_sign("cm3"), unit_sign("km")
    days = _days_ahead(analysis, outlook)
    if days is not None:
        past = [str(t)[:10] for t in panel.taken_at[is_read]]
        ahead: list[str] | list[float] = [d.isoformat() for d in days]
        told, where = [day(d) for d in days], "Day"
        hover = f"%{{x|{chart_day()}}}: %{{y:.3g}} {cm3}<extra></extra>"
    else:
        past = shown(panel.odometer_km[is_read], "km").tolist()
        ahead = shown(outlook.fan_km, "km").tolist()
        told, where = [grouped(x) for x in shown(outlook.fan_km, "km").tolist()], f"Odometer, {km}"
        hover = f"%{{x:,.0f}} {km}: %{{y:.3g}} {cm3}<extra></extra>"
    picture = Picture(320, showlegend=True, legend={"orientation": "h", "x": 0, "y": -0.16, "yanchor": "top"})
    picture.band(ahead, low, high, name="80 % range", showlegend=True)
    picture.scatter(
        ahead, middle, mode="lines", line={"color": BLUE, "dash": "dot", "width": 2},
        name="even chance", showlegend=True, hovertemplate=hover,
    )  # fmt: skip
    picture.scatter(
        past, volumes, mode="markers", marker={"color": INK, "size": 7},
        name="read", showlegend=True, hovertemplate=hover,
    )  # fmt: skip
    picture.level(level)
    picture.note(
        f"limit {limit} {cm3}", x=0.01, xref="paper", xanchor="left", y=level, yanchor="bottom",
        font={"color": RED},
    )  # fmt: skip
    picture.axis("xaxis", title={"text": "" if days is not None else f"odometer, {km}"}, nticks=6)
    picture.axis("yaxis", title={"text": f"fill volume, {cm3}"}, range=_edges([*volumes, *low], high, level))
    when = due_words(outlook, as_date(panel.taken_at[-1]))
    return Chart(
        f"forecast-{index}",
        f"{name(outlook.clutch)}: the way to its limit",
        f"{name(outlook.clutch)} is at {now} of {limit} {cm3}; limit reached: {when}.",
        picture.height,
        picture.figure(),
        Table(
            f"{outlook.clutch}: volume ahead, {cm3}",
            (where, "1 in 10 below", "Even chance", "9 in 10 below"),
            tuple(
                (x, *(to_step(float(volume), step, "cm3") for volume in ahead_volumes))
                for x, *ahead_volumes in zip(told, *fans, strict=True)
            ),
        ),
    )


def _edges(kept: list[float], high: list[float], limit: float) -> list[float]:
    """Give the ends of the axis: all of `kept` and the limit, but of the fan above it no more than a little.

    A pack that hardly grows may, for all that is known of it, be far beyond its limit in the end; drawn
    whole, that would flatten its readings.
    """
    bottom, most = min([*kept, limit]), max([*kept, limit])
    room = ROOM * (most - bottom)
    return [bottom - room, min(max([*high, most]), most + room) + room]


def _days_ahead(analysis: UnitAnalysis, outlook: ClutchOutlook) -> list[date] | None:
    """Give the day at which each odometer reading of the fan is reached; None where use is not known."""
    panel, per_day = analysis.panel, analysis.assessment.km_per_day
    if not per_day or per_day <= 0:
        return None
    start = as_date(panel.taken_at[-1])
    now, latest = float(panel.odometer_km[-1]), (date.max - start).days - 1
    days = [min(max((float(v) - now) / per_day, 0.0), latest) for v in outlook.fan_km]
    return [start + timedelta(days=d) for d in days]
