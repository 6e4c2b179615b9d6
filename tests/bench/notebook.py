"""The baseline: what a good analyst would write in a notebook with general libraries.

Each cell by itself: fluid temperature taken out by a robust regression over the fleet (statsmodels), steps by
penalised change-point search (ruptures, PELT with squared error), kept only where steps describe the cell
better than a straight line does. Steps of several cells at the same snapshots make a change, which rules name
by the signals and modes that moved, by whether it lasted, and by the nearest entry of the log
(`tests.bench.notebook_rules`). Each pack's volume gets a straight line against distance by least squares, and
its crossing of the limit Fieller's interval. The limits used in the rules are plain guesses of the trade's
kind, the same for every fleet; nothing is fitted to a simulator.

It answers in the form of the program (findings with a probability, packs with a remaining distance and a
service state), so that both are scored alike. `python -m tests.bench.scorecard --baseline` does.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
import pandas as pd
import ruptures
import statsmodels.api as sm
from numpy.typing import NDArray
from scipy.stats import norm
from scipy.stats import t as student

from driftwatch.profile.model import Profile
from driftwatch.store.records import Records
from tests.bench.notebook_rules import Change, name_change

Floats = NDArray[np.float64]

#: A change point must lower the squared error by this many noise variances times log n: twice the usual
#: figure for independent noise, because readings wander.
PENALTY = 4.0
LEAST_READINGS = 8
#: Steps of at least so many cells, and this share of all, at two neighbouring snapshots make a change.
LEAST_CELLS = 5
LEAST_SHARE = 0.1
#: Snapshots on each side of a change that its size is taken from.
SIDE = 5
WATCH_KM, PLAN_KM, DUE_KM = 40_000.0, 15_000.0, 5_000.0
WEAR_SHARE = 0.3
#: Readings that the line of the forecast is drawn through, the latest ones: rates change.
RECENT = 15
#: A pack's volume that falls by this share of its allowance has been renewed.
RENEWED = 0.12


@dataclass(frozen=True)
class NotebookFinding:
    """A cause, in the form in which the scorecard reads it."""

    cause: str
    probability: float
    after: date | None
    by: date | None
    clutch: str | None = None


@dataclass(frozen=True)
class NotebookOutlook:
    """A pack's forecast, in the form in which the scorecard reads it."""

    clutch: str
    used: float
    used_se: float
    remaining_km: dict[str, float | None]
    service: str


@dataclass(frozen=True)
class NotebookUnit:
    """What is said of a unit."""

    unit: str
    findings: tuple[NotebookFinding, ...]
    clutches: tuple[NotebookOutlook, ...]


@dataclass(frozen=True)
class Table:
    """One unit: `values` (T, C), columns signal, mode, channel; NaN where not read or not learned anew."""

    unit: str
    profile: Profile
    values: pd.DataFrame
    taken: pd.DatetimeIndex
    km: Floats
    events: pd.DataFrame


def notebook(records: Records) -> Sequence[NotebookUnit]:
    """Assess every unit."""
    tables = [_table(records, unit) for unit in records.units["unit"]]
    temperatures = _temperatures(records)
    slopes = _temperature_slopes(tables, temperatures)
    tables = [_corrected(t, temperatures, slopes) for t in tables]
    noise = _noise(tables)
    return [_assess(t, noise) for t in tables]


def _table(records: Records, unit: str) -> Table:
    rows = records.readings[records.readings["unit"] == unit]
    index = [
        rows["taken_at"],
        rows["signal"].astype(str),
        rows["mode"].astype(str),
        rows["channel"].astype(str),
    ]
    wide = rows.set_index(index)[["value", "learn_count"]].drop_duplicates()
    wide = wide[~wide.index.duplicated()]
    names = ["signal", "mode", "channel"]
    values = wide["value"].unstack(names)
    counts = wide["learn_count"].unstack(names)
    # Old values repeated say nothing: those with a count of zero, or exact repeats where counts are missing.
    stale = (counts == 0) | (counts.isna() & (values.diff() == 0))
    stale.iloc[:1] = False
    snaps = records.snapshots[records.snapshots["unit"] == unit].set_index("taken_at")
    odometer = snaps["odometer_km"].reindex(values.index).to_numpy(dtype=float)
    profile = records.profiles[str(records.units.set_index("unit").loc[unit, "profile"])]
    events = records.events[records.events["unit"] == unit]
    return Table(unit, profile, values.mask(stale), pd.DatetimeIndex(values.index), odometer, events)


def _temperatures(records: Records) -> pd.Series:
    snaps = records.snapshots
    return snaps.set_index([snaps["unit"].astype(str), "taken_at"])["fluid_temp_c"]


def _temperature_slopes(tables: list[Table], temperatures: pd.Series) -> dict[str, float]:
    """Regress differences between neighbouring readings on differences of temperature, by signal."""
    pairs: dict[str, list[tuple[Floats, Floats]]] = {}
    for table in tables:
        warm = temperatures.loc[table.unit].reindex(table.taken)
        for signal, block in table.values.T.groupby(level="signal"):
            change = block.T.diff().to_numpy()
            warmer = np.broadcast_to(warm.diff().to_numpy()[:, None], change.shape)
            good = np.isfinite(change) & np.isfinite(warmer)
            pairs.setdefault(str(signal), []).append((change[good], warmer[good]))
    slopes: dict[str, float] = {}
    for name, parts in pairs.items():
        y, x = (np.concatenate([p[i] for p in parts]) for i in (0, 1))
        enough = len(y) > 50 and x.std() > 0 and y.std() > 0
        slopes[name] = float(sm.RLM(y, x).fit().params[0]) if enough else 0.0
    return slopes


def _corrected(table: Table, temperatures: pd.Series, slopes: dict[str, float]) -> Table:
    warm = temperatures.loc[table.unit].reindex(table.taken).to_numpy(dtype=float)
    over = np.nan_to_num(warm - np.nanmedian(warm)) if np.isfinite(warm).any() else np.zeros(len(warm))
    slope = np.array([slopes[signal] for signal in table.values.columns.get_level_values("signal")])
    return Table(
        table.unit,
        table.profile,
        table.values.sub(over[:, None] * slope),
        table.taken,
        table.km,
        table.events,
    )


def _noise(tables: list[Table]) -> dict[str, float]:
    """Robust standard deviation of a reading, by signal, from differences; never below the resolution."""
    noise = {}
    for signal in tables[0].profile.signals:
        diffs = [
            t.values[signal.name].diff().to_numpy().ravel()
            for t in tables
            if signal.name in t.values.columns.get_level_values("signal")
        ]
        all_ = np.concatenate(diffs) if diffs else np.array([np.nan])
        all_ = all_[np.isfinite(all_)]
        spread = 1.4826 * np.median(np.abs(all_)) / np.sqrt(2) if len(all_) else 0.0
        noise[signal.name] = max(float(spread), (signal.resolution or 0.0) / 2, 1e-9)
    return noise


def _assess(table: Table, noise: dict[str, float]) -> NotebookUnit:
    if len(table.taken) < LEAST_READINGS:
        return NotebookUnit(table.unit, (), ())
    changes = _changes(table, noise)
    findings = [
        NotebookFinding(cause, sure, _day(table, c.row - 1), _day(table, c.row))
        for c in changes
        for cause, sure in name_change(c)
    ]
    drift = _pressure_drift(table, changes, noise)
    if drift is not None:
        findings.append(drift)
    outlooks = _outlooks(table)
    for outlook in outlooks:
        sure = float(norm.cdf((outlook.used - WEAR_SHARE) / max(outlook.used_se, 1e-6)))
        if sure >= 0.1:
            findings.append(NotebookFinding("wear", sure, _day(table, 0), None, outlook.clutch))
    return NotebookUnit(table.unit, tuple(findings), tuple(outlooks))


def _day(table: Table, row: int) -> date:
    return table.taken[row].date()


def _changes(table: Table, noise: dict[str, float]) -> list[Change]:
    """Find rows at which many cells step, and measure what moved there."""
    shifts = table.values.drop(columns="clutch_volume", level="signal", errors="ignore")
    if shifts.empty:
        return []
    votes = np.zeros(len(table.taken) + 1)
    for cell in shifts.columns.to_flat_index():
        for row in _steps(shifts[cell].to_numpy(dtype=float), noise[cell[0]]):
            votes[row] += 1
    need = max(LEAST_CELLS, LEAST_SHARE * shifts.shape[1])
    rows: list[int] = []
    while True:
        pairs = votes[:-1] + votes[1:]
        if pairs.max() < need:
            break
        at = int(pairs.argmax())
        row = at if votes[at] >= votes[at + 1] else at + 1
        rows.append(row)
        votes[max(row - 1, 0) : row + 2] = 0
    logged = _rows_of_log(table)
    rows += [row for row in logged if all(abs(row - other) > 1 for other in rows)]
    bounds = [0, *sorted(rows), len(table.taken)]
    found = [
        _measure(table, row, bounds[i], bounds[i + 2], noise, row in logged)
        for i, row in enumerate(sorted(rows))
    ]
    return [c for c in found if c is not None]


def _steps(values: Floats, sd: float) -> list[int]:
    """Rows at which one cell steps, if steps describe it better than a straight line."""
    rows = np.flatnonzero(np.isfinite(values))
    count = len(rows)
    if count < LEAST_READINGS:
        return []
    series = values[rows]
    penalty = PENALTY * sd**2 * np.log(count)
    ends = ruptures.Pelt(model="l2", min_size=2, jump=1).fit(series).predict(pen=penalty)
    if len(ends) < 2:
        return []
    parts = np.split(series, ends[:-1])
    of_steps = sum(float(((p - p.mean()) ** 2).sum()) for p in parts)
    of_line = float(sm.OLS(series, sm.add_constant(rows.astype(float))).fit().ssr)
    floor = count * sd**2 / 4
    bic_steps = count * np.log(max(of_steps, floor)) + (2 * len(ends) - 1) * np.log(count)
    bic_line = count * np.log(max(of_line, floor)) + 2 * np.log(count)
    return [int(rows[end]) for end in ends[:-1]] if bic_steps < bic_line else []


def _rows_of_log(table: Table) -> list[int]:
    """First snapshot after each entry of the log."""
    days = pd.DatetimeIndex(table.events["happened_at"])
    rows = np.searchsorted(table.taken.to_numpy(), days.to_numpy())
    return sorted({int(r) for r in rows if 2 <= r < len(table.taken) - 1})


def _measure(
    table: Table, row: int, low: int, high: int, noise: dict[str, float], logged: bool
) -> Change | None:
    """Sizes in noise units by cell: lasting, and at the first snapshot after; renewed packs; log entries."""
    if row < 1 or row >= len(table.taken):
        return None
    sd = np.array([noise[str(s)] for s in table.values.columns.get_level_values("signal")])
    scaled = table.values.div(sd, axis=1)
    before = scaled.iloc[max(low, row - SIDE) : row].median()
    after = scaled.iloc[row : min(high, row + SIDE)].median()
    late = scaled.iloc[min(row + 1, high - 1) : min(high, row + 1 + SIDE)].median()
    at, day = table.taken[row], pd.Timedelta(days=1)
    gap = (at - table.taken[row - 1]) / day
    entries = {
        str(kind): max(0.0, (at - when) / day - gap, (when - at) / day)
        for kind, when in zip(table.events["kind"], table.events["happened_at"], strict=True)
    }
    return Change(
        row=row,
        moved=(after - before).dropna(),
        first=(scaled.iloc[row] - before).dropna(),
        late=(late - before).dropna(),
        downward=_renewed(table, row),
        off_log={kind: away for kind, away in entries.items() if away <= 30},
        from_log=logged,
    )


def _renewed(table: Table, row: int) -> bool:
    """Say whether a pack's volume fell by a good part of its allowance."""
    for pack in table.profile.clutches:
        cell = ("clutch_volume", "", pack.id)
        if cell not in table.values or pack.limit_cm3 is None or pack.new_volume_cm3 is None:
            continue
        series = table.values[cell].to_numpy(dtype=float)
        before, after = series[max(0, row - 3) : row], series[row : row + 3]
        if not (np.isfinite(before).any() and np.isfinite(after).any()):
            continue
        fall = np.nanmedian(before) - np.nanmedian(after)
        if fall > RENEWED * (pack.limit_cm3 - pack.new_volume_cm3):
            return True
    return False


def _pressure_drift(table: Table, changes: list[Change], noise: dict[str, float]) -> NotebookFinding | None:
    """A slow rise of the apply trims of all shifts alike, of release partly, and of nothing else."""
    slopes, errors = {}, {}
    since = max((c.row for c in changes), default=0)
    years = (table.taken[since:] - table.taken[0]).days.to_numpy() / 365.25
    for signal in ("apply_trim", "release_trim", "torque_cut"):
        if signal not in table.values.columns.get_level_values("signal"):
            continue
        block = table.values[signal].to_numpy(dtype=float)[since:]
        block = block[:, np.isfinite(block).mean(axis=0) > 0.6]
        if len(block) < LEAST_READINGS or block.shape[1] == 0:
            return None
        off = np.ma.masked_invalid(block - np.nanmean(block, axis=0)).mean(axis=1) / noise[signal]
        line = np.asarray(off.filled(np.nan), dtype=float)
        good = np.isfinite(line)
        fit = sm.OLS(line[good], sm.add_constant(years[good])).fit(cov_type="HAC", cov_kwds={"maxlags": 2})
        slopes[signal], errors[signal] = float(fit.params[1]), float(fit.bse[1])
    if "apply_trim" not in slopes:
        return None
    rise = slopes["apply_trim"] * float(years[-1] - years[0])
    release = slopes.get("release_trim", 0.4 * slopes["apply_trim"]) / slopes["apply_trim"]
    clear = slopes["apply_trim"] > 5 * errors["apply_trim"] and rise > 2.5
    cut = abs(slopes.get("torque_cut", 0.0)) < 0.3 * slopes["apply_trim"]
    if not (clear and cut and 0.15 < release < 0.95):
        return None
    return NotebookFinding("pressure", 0.7, _day(table, since), None)


def _outlooks(table: Table) -> list[NotebookOutlook]:
    made = [_outlook(table, pack.id) for pack in table.profile.clutches]
    return [o for o in made if o is not None]


def _outlook(table: Table, pack: str) -> NotebookOutlook | None:
    """Straight line through a pack's volumes since it was last renewed, and where it meets the limit."""
    cell, clutch = ("clutch_volume", "", pack), table.profile.clutch(pack)
    limit, new = clutch.limit_cm3, clutch.new_volume_cm3
    if cell not in table.values or limit is None or new is None:
        return None
    series = table.values[cell].to_numpy(dtype=float)
    start = _last_renewal(series, RENEWED * (limit - new))
    rows = start + np.flatnonzero(np.isfinite(series[start:]))
    if len(rows) < 4:
        return None
    x, y = table.km[rows] / 1e4, series[rows]
    fit = sm.OLS(y, sm.add_constant(x)).fit()
    recent = sm.OLS(y[-RECENT:], sm.add_constant(x[-RECENT:])).fit()
    now, then = table.km[-1] / 1e4, table.km[start] / 1e4
    at_start, slope, slope_se = (float(v) for v in (fit.predict([[1.0, then]])[0], fit.params[1], fit.bse[1]))
    allowance = max(limit - at_start, 1e-6)
    shares = {"p10": 0.1, "p50": 0.5, "p90": 0.9}
    quantiles = {name: _crossing(recent, limit, now, share) for name, share in shares.items()}
    used = slope * (now - then) / allowance
    return NotebookOutlook(
        pack, used, slope_se * (now - then) / allowance, quantiles, _service(quantiles["p50"])
    )


def _last_renewal(series: Floats, fall: float) -> int:
    """Row at which the volume last fell for good; 0 if it never did."""
    for row in range(len(series) - 2, 0, -1):
        before, after = series[max(0, row - 3) : row], series[row : row + 3]
        if np.isfinite(before).any() and np.isfinite(after).any():
            step = np.nanmedian(before) - np.nanmedian(after)
            if step > fall and series[row - 1] - series[row] > fall / 2:
                return row
    return 0


def _crossing(fit: object, limit: float, now: float, share: float) -> float | None:
    """Fieller's one-sided bound of where a volume meets the limit, km from now; None where there is none.

    The bounds solve (a + b x - limit)^2 = t^2 (s^2 + var(a + b x)): the form with a reading's own error.
    """
    a, b = (float(v) for v in fit.params)  # type: ignore[attr-defined]
    cov = np.asarray(fit.cov_params())  # type: ignore[attr-defined]
    t = float(student.ppf(share, fit.df_resid))  # type: ignore[attr-defined]
    two = b**2 - t**2 * cov[1, 1]
    one = 2 * (b * (a - limit) - t**2 * cov[0, 1])
    none = (a - limit) ** 2 - t**2 * (cov[0, 0] + float(fit.scale))  # type: ignore[attr-defined]
    if b <= 0:
        return None
    if share == 0.5:
        return max(0.0, ((limit - a) / b - now) * 1e4)
    if two <= 0:
        root = one**2 - 4 * two * none
        early = (-one - np.sqrt(root)) / (2 * two) if root >= 0 else np.nan
        late_ = (-one + np.sqrt(root)) / (2 * two) if root >= 0 else np.nan
        bounds = [v for v in (early, late_) if v <= (limit - a) / b]
        return max(0.0, (max(bounds) - now) * 1e4) if share < 0.5 and bounds else None
    root = np.sqrt(max(one**2 - 4 * two * none, 0.0))
    at = (-one - root) / (2 * two) if share < 0.5 else (-one + root) / (2 * two)
    return max(0.0, float(at - now) * 1e4)


def _service(median_km: float | None) -> str:
    if median_km is None or median_km > WATCH_KM:
        return "clear"
    if median_km > PLAN_KM:
        return "watch"
    return "plan" if median_km > DUE_KM else "due"
