"""Frozen objects of the blocks as JSON text and back, arrays bit for bit; nothing in a text can run."""

from __future__ import annotations

import base64
import json
from collections.abc import Iterable
from dataclasses import fields, is_dataclass
from datetime import date
from typing import Any

import numpy as np

#: Keys that say what a JSON object stands for; no field or signal is called so.
KIND, ARRAY, PAIRS, DAY, TIME = "$kind", "$array", "$pairs", "$day", "$time"


class Coding:
    """Writes and reads objects of a few dataclasses, with arrays, days, tuples and mappings in them.

    Sequences come back as tuples, and NumPy's single numbers as Python's.

    Parameters
    ----------
    kinds : iterable of dataclass
        All that may occur; a text that names another is refused.

    """

    def __init__(self, kinds: Iterable[type]) -> None:
        self._kinds = {kind.__name__: kind for kind in kinds}

    def text(self, thing: Any) -> str:
        """Give an object as text.

        Raises
        ------
        TypeError
            If something in it is of no known kind.

        """
        return json.dumps(self._plain(thing), separators=(",", ":"))

    def thing(self, text: str) -> Any:
        """Give the object that a text stands for.

        Raises
        ------
        ValueError
            If the text is damaged, or was written by another version of the classes.

        """
        try:
            return _thawed(json.loads(text), self._kinds)
        except (TypeError, KeyError, AttributeError) as wrong:
            raise ValueError(f"not a text of known objects: {wrong}") from wrong

    def _plain(self, thing: Any) -> Any:
        if thing is None or isinstance(thing, str | bool | int | float):
            return thing
        if isinstance(thing, np.ndarray):
            data = base64.b64encode(np.ascontiguousarray(thing).tobytes()).decode("ascii")
            return {ARRAY: data, "of": thing.dtype.str, "shape": list(thing.shape)}
        if isinstance(thing, np.datetime64):
            return {TIME: str(thing), "of": thing.dtype.str}
        if isinstance(thing, np.generic):
            return thing.item()
        if isinstance(thing, date):
            return {DAY: thing.isoformat()}
        if isinstance(thing, dict):
            return {PAIRS: [[self._plain(k), self._plain(v)] for k, v in thing.items()]}
        if isinstance(thing, list | tuple):
            return [self._plain(one) for one in thing]
        if is_dataclass(thing) and self._kinds.get(type(thing).__name__) is type(thing):
            parts = {f.name: self._plain(getattr(thing, f.name)) for f in fields(thing)}
            return {KIND: type(thing).__name__, **parts}
        raise TypeError(f"{type(thing).__name__} is not a kind that can be written")


def _thawed(plain: Any, kinds: dict[str, type]) -> Any:
    if isinstance(plain, list):
        return tuple(_thawed(one, kinds) for one in plain)
    if not isinstance(plain, dict):
        return plain
    if ARRAY in plain:
        kind = np.dtype(plain["of"])
        if kind.hasobject:
            raise ValueError("an array of objects")
        return np.frombuffer(base64.b64decode(plain[ARRAY]), kind).reshape(plain["shape"]).copy()
    if TIME in plain:
        return np.datetime64(plain[TIME]).astype(np.dtype(plain["of"]))
    if DAY in plain:
        return date.fromisoformat(plain[DAY])
    if PAIRS in plain:
        return {_thawed(k, kinds): _thawed(v, kinds) for k, v in plain[PAIRS]}
    return kinds[plain[KIND]](**{k: _thawed(v, kinds) for k, v in plain.items() if k != KIND})
