"""What is fixed for a destination until the site file changes."""

from dataclasses import dataclass
from pathlib import Path

__all__ = ["FilesPlan", "MqttPlan", "TlsPlan"]

_DESCRIPTORS = 6
"""A connection, the one before it that ends, and what a look-up of a name and the files of TLS take for a moment."""

_DESCRIPTORS_OF_FILES = 24


@dataclass(frozen=True, slots=True)
class TlsPlan:
    """Server certificate always verified. `ca` None: the system's trust store."""

    ca: Path | None = None
    certificate: Path | None = None
    key: Path | None = None


@dataclass(frozen=True, slots=True)
class MqttPlan:
    """One broker. Secrets come by file path, read at connect, never logged."""

    host: str
    port: int
    prefix: str = "tanks"
    protocol: str = "3.1.1"
    """`3.1.1` or `5`."""
    client_id: str | None = None
    user_name: str | None = None
    password_file: Path | None = None
    tls: TlsPlan | None = None
    keepalive_s: int = 20
    timeout_s: float = 10.0
    window: int = 20
    """QoS 1 publishes in flight; the server's receive maximum lowers it."""
    status_period_s: float = 30.0
    backoff_first_s: float = 0.5
    backoff_longest_s: float = 30.0
    given_name: str | None = None
    """What the site file calls it; else it is called by where it is."""

    @property
    def name(self) -> str:
        return self.given_name or f"mqtt:{self.host}:{self.port}"

    @property
    def place(self) -> tuple[str, int, str]:
        return self.host, self.port, self.prefix

    @property
    def descriptors(self) -> int:
        return _DESCRIPTORS

    @property
    def longest_turn_s(self) -> float:
        return 3 * self.timeout_s + self.backoff_longest_s


@dataclass(frozen=True, slots=True)
class FilesPlan:
    """One folder of files."""

    folder: Path
    format: str = "csv"
    """`csv` or `parquet`; the ending of the files too."""
    each_s: float = 86_400.0
    """Each file is of so much time: whole seconds, a part of a day, by UTC."""
    given_name: str | None = None
    gather_s: float = 5.0
    """Between two writings, unless much waits: each costs a sync."""
    timeout_s: float = 10.0
    """A disk that has not answered by then is said to hang; it is waited for, and nothing else."""
    backoff_first_s: float = 0.5
    backoff_longest_s: float = 30.0

    @property
    def name(self) -> str:
        return self.given_name or f"files:{self.folder}"

    @property
    def place(self) -> Path:
        return self.folder

    @property
    def descriptors(self) -> int:
        """Folder, lock and state, and its unfinished files."""
        return _DESCRIPTORS_OF_FILES

    @property
    def longest_turn_s(self) -> float:
        return self.gather_s + self.timeout_s + self.backoff_longest_s
