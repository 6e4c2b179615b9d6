"""How the page is served, as one frozen object, and what is refused before it starts."""

from __future__ import annotations

import hashlib
import ipaddress
from dataclasses import dataclass
from pathlib import Path

from driftwatch.errors import UsageError

DEFAULT_HOST, DEFAULT_PORT = "127.0.0.1", 8712
#: A password that others on the network can try has at least so many signs.
LEAST_PASSWORD = 10


@dataclass(frozen=True)
class PageSettings:
    """What `driftwatch serve` was told.

    Attributes
    ----------
    db : Path
        The store's file; it may not be there yet.
    host : str
        Address to listen on.
    port : int
    password : str
        Asked for before anything is shown; "" asks for none, which only loopback allows.
    names : tuple of str
        Host names, besides addresses and `localhost`, under which the page may be asked for.
    by : str
        Who writes, for the record, where a visitor gives no name; whoever is logged in if "".
    wait : float
        Seconds that a write waits for the store.
    upload_mb : int
        Most that may be sent at once.

    """

    db: Path
    host: str = DEFAULT_HOST
    port: int = DEFAULT_PORT
    password: str = ""
    names: tuple[str, ...] = ()
    by: str = ""
    wait: float = 5.0
    upload_mb: int = 200

    @property
    def is_loopback(self) -> bool:
        """True if nobody but this computer can reach the page."""
        if self.host == "localhost":
            return True
        try:
            return ipaddress.ip_address(self.host).is_loopback
        except ValueError:
            return False

    @property
    def address(self) -> str:
        """The page's address, as it is typed into a browser on this computer."""
        everywhere = self.host in ("0.0.0.0", "::")  # noqa: S104 - compared with, not listened on
        host = "localhost" if everywhere else f"[{self.host}]" if ":" in self.host else self.host
        return f"http://{host}:{self.port}/"

    def signing_key(self, own: bytes) -> str:
        """Give the key that sessions are signed with: another password makes all of them void."""
        return hashlib.sha256(own + self.password.encode("utf-8")).hexdigest()

    def require_safe(self) -> None:
        """Refuse to be reachable from elsewhere without a password worth the name."""
        if self.password and len(self.password) < LEAST_PASSWORD:
            raise UsageError(f"the password is shorter than {LEAST_PASSWORD} signs", do="set a longer one")
        if not self.is_loopback and not self.password:
            raise UsageError(
                "others on the network could reach the page, so it wants a password",
                self.host,
                "set DRIFTWATCH_PASSWORD or give --password-file, or leave --host out",
            )
