"""A mark of the data that something was made from: the same data give the same mark, any other another."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable

import numpy as np

from driftwatch.panel.panel import Panel


def fingerprint(panels: Iterable[Panel]) -> str:
    """Give the SHA-256 of all readings, odometers, log entries and profiles of some units.

    Parameters
    ----------
    panels : iterable of Panel
        In any order.

    Returns
    -------
    str
        64 hexadecimal digits. It does not depend on the store's file, on the order in which files came in,
        or on what was left out as a slip: only on what was read and logged.

    """
    return hashlib.sha256(b"".join(sorted(map(_of_unit, panels)))).hexdigest()


def content_mark(panel: Panel) -> bytes:
    """Give a mark of all that a unit's assessment rests on: readings, log and profile; 32 bytes."""
    digest = hashlib.sha256()
    texts = [panel.unit, repr(panel.profile)]
    texts += [repr(cell) for cell in panel.cells] + [repr(event) for event in panel.events]
    digest.update("\x1f".join(texts).encode("utf-8", "surrogatepass"))
    digest.update(np.ascontiguousarray(panel.taken_at.astype("datetime64[us]").astype("<i8")).tobytes())
    for numbers in (panel.odometer_km, panel.fluid_temp_c, panel.values, panel.learn_counts):
        digest.update(np.ascontiguousarray(numbers, dtype="<f8").tobytes())
    return digest.digest()


def _of_unit(panel: Panel) -> bytes:
    told = [panel.site, panel.note, str(panel.in_service_on)]
    digest = hashlib.sha256("\x1f".join(told).encode("utf-8", "surrogatepass"))
    digest.update(content_mark(panel))
    return digest.digest()
