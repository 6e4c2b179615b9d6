"""Every fitted value beside the reading it belongs to, as one long table."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa

from driftwatch.assessment.results import UnitAnalysis
from driftwatch.store.export import neutral

COLUMNS = (
    "unit", "taken_at", "odometer_km", "mode", "channel", "signal", "value_unit", "value", "usable",
    "fitted", "fitted_se", "noise_sd",
)  # fmt: skip


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
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=list(COLUMNS))


def write_fitted(analyses: Sequence[UnitAnalysis], path: Path) -> Path:
    """Write `fitted_values` as Parquet, or as CSV where the path ends so, and give the path.

    In CSV, text that a spreadsheet would run as a formula is made plain, as in the other exported files.
    """
    frame = fitted_values(analyses)
    # Written beside the target first, so that a failure leaves no half file in its place.
    partial = path.with_name(f".{path.name}.partial")
    try:
        if path.suffix == ".csv":
            text = {
                c: neutral(pa.array(frame[c].astype(str).tolist(), pa.string())).to_pandas()
                for c in ("unit", "channel", "mode")
            }
            frame.assign(**text).to_csv(partial, index=False)
        else:
            frame.to_parquet(partial, index=False)
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
        columns=list(COLUMNS),
    )
