"""The password: compared in constant time, and not to be tried out."""

from __future__ import annotations

import hmac
import threading
import time
from collections import deque
from collections.abc import Callable

#: So many tries from one address, and from all together, within so many seconds, are the last.
MOST_TRIES, MOST_FROM_ALL, WITHIN_SECONDS = 5, 50, 300.0


def is_password(told: str, known: str) -> bool:
    """Compare without telling by the time taken how much of it was right."""
    return hmac.compare_digest(told.encode("utf-8", "replace"), known.encode("utf-8"))


class Tries:
    """Tries of late that were not right, by address; kept in memory only."""

    def __init__(self, now: Callable[[], float] = time.monotonic) -> None:
        self._now, self._lock = now, threading.Lock()
        self._tried: deque[tuple[float, str]] = deque()

    def begin(self, address: str) -> float:
        """Take one try, before it is looked at: tries made at the same time count too.

        Returns
        -------
        float
            0 if the try may be looked at; otherwise for how many seconds this address must wait.

        """
        with self._lock:
            now = self._now()
            while self._tried and self._tried[0][0] < now - WITHIN_SECONDS:
                self._tried.popleft()
            own = [at for at, who in self._tried if who == address]
            if len(own) >= MOST_TRIES:
                return own[0] + WITHIN_SECONDS - now
            if len(self._tried) >= MOST_FROM_ALL:
                return self._tried[0][0] + WITHIN_SECONDS - now
            self._tried.append((now, address))
            return 0.0

    def right(self, address: str) -> None:
        """Forget the tries of an address that knows the password."""
        with self._lock:
            self._tried = deque(entry for entry in self._tried if entry[1] != address)
