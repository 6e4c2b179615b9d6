"""Every fitted value beside the reading it belongs to, as one long table."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.csv as pa_csv
import pyarrow.parquet as pq

from driftwatch.assessment.results import UnitAnalysis
from driftwatch.store.export import csv_form

#: Columns with their types, which stay the same where there is no reading at all.
SCHEMA = pa.schema(
    [("unit", pa.string()), ("taken_at", pa.timestamp("us")), ("odometer_km", pa.float64())]
    + [(name, pa.string()) for name in ("mode", "channel", "signal", "value_unit")]
    + [("value", pa.float64()), ("usable", pa.bool_())]
    + [(name, pa.float64()) for name in ("fitted", "fitted_se", "noise_sd")]
)


def fitted_values(analyses: Sequence[UnitAnalysis]) -> pd.DataFrame:
    """Give one row a reading, with its fitted mean.

    Returns
    -------
    DataFrame
        `unit`, `taken_at`, `odometer_km`, `mode`, `channel`, `signal`, `value_unit`, `value` (as read),
        `usable` (False where the reading only repeats an old value), `fitted` (mean of the cell at that
        snapshot, temperature taken out), `fitted_se` (its standard error), `noise_sd` (of one reading). The
        last three are missing for a unit with too few readings to fit.

    """
    parts = [_unit(analysis) for analysis in analyses]
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=SCHEMA.names)


def write_fitted(analyses: Sequence[UnitAnalysis], path: Path) -> Path:
    """Write `fitted_values` as Parquet, or as CSV where the path ends so, and give the path.

    In CSV, times and texts are written as in the other exported files, so that rows of both can be joined.
    """
    table = pa.Table.from_pandas(fitted_values(analyses), SCHEMA, preserve_index=False)
    # Written beside the target first, so that a failure leaves no half file in its place.
    partial = path.with_name(f".{path.name}.partial")
    try:
        if path.suffix == ".csv":
            pa_csv.write_csv(csv_form(table), partial)
        else:
            pq.write_table(table, partial)
        partial.replace(path)
    finally:
        partial.unlink(missing_ok=True)
    return path


def _unit(analysis: UnitAnalysis) -> pd.DataFrame:
    panel, fit = analysis.panel, analysis.fit
    at, cell = np.nonzero(np.isfinite(panel.values))
    missing = np.full(len(at), np.nan)
    return pd.DataFrame(
        {
            "unit": panel.unit,
            "taken_at": panel.taken_at[at],
            "odometer_km": panel.odometer_km[at],
            "mode": [panel.cells[c].mode for c in cell],
            "channel": [panel.cells[c].channel for c in cell],
            "signal": [panel.cells[c].signal for c in cell],
            "value_unit": [panel.cells[c].unit for c in cell],
            "value": panel.values[at, cell],
            "usable": panel.usable[at, cell],
            "fitted": missing if fit is None else fit.fitted[at, cell],
            "fitted_se": missing if fit is None else fit.fitted_se[at, cell],
            "noise_sd": missing if fit is None else fit.noise_sd[cell],
        },
        columns=SCHEMA.names,
    )
