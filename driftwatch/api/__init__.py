"""The Python door: one class over a store. It finds, hands on and writes; it decides nothing.

>>> import driftwatch
>>> with driftwatch.open("fleet.duckdb", create=True) as store:  # doctest: +SKIP
...     store.import_file("units.csv")
...     store.assess().to_frame("clutches")
"""

from driftwatch.api.folders import as_folder, possible_folder
from driftwatch.api.opening import open_store
from driftwatch.api.store import Store

__all__ = ["Store", "as_folder", "open_store", "possible_folder"]
