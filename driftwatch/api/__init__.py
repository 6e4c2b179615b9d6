"""The Python door: one class over a store. It finds, hands on and writes; it decides nothing.

>>> import driftwatch
>>> with driftwatch.open("fleet.duckdb", create=True) as store:  # doctest: +SKIP
...     store.import_file("units.csv")
...     store.assess().to_frame("clutches")
"""

from driftwatch.api.apart import Analysed, Stamp, analyse_store, copy_now, lent_copy, open_trial, stamp_of
from driftwatch.api.folders import as_folder, possible_folder
from driftwatch.api.opening import open_store
from driftwatch.api.store import Store

__all__ = [
    "Analysed",
    "Stamp",
    "Store",
    "analyse_store",
    "as_folder",
    "copy_now",
    "lent_copy",
    "open_store",
    "open_trial",
    "possible_folder",
    "stamp_of",
]
