"""The ways to a line's instruments: from the site file to frozen paths."""

from pathlib import Path

from gateway.acquisition.plan import FrameKind, LinePath, Parity, SerialPath, TcpPath, TlsFiles
from gateway.settings.lines.models import LineModel, LineTlsModel, PathModel, SerialModel
from gateway.settings.reading.document import Document, KeyPath, Mistakes

__all__ = ["LinePaths"]


class LinePaths:
    """Builds the paths of all lines, of which no two may share a bus: a serial port, or a converter to one."""

    def __init__(self, document: Document, mistakes: Mistakes) -> None:
        self._document = document
        self._mistakes = mistakes
        self._ports: dict[str, str] = {}
        """By device file: the line that has it."""
        self._peers: dict[tuple[str, int], tuple[str, FrameKind]] = {}
        """By host and port likewise, with its framing: a server of Modbus TCP may have several lines as clients."""

    def build(self, line: str, model: LineModel) -> tuple[LinePath, LinePath | None] | None:
        """The first way and the standby; None where there is a mistake, which is reported."""
        key: KeyPath = ("lines", line)
        primary = self._path(line, model, key)
        standby = None if model.standby is None else self._path(line, model.standby, (*key, "standby"))
        if primary is None or (standby is None and model.standby is not None):
            return None
        if primary == standby:
            self._mistakes.add((*key, "standby"), "is the same way as the first; give another, or leave it out")
            return None
        if not 1 <= model.in_flight <= 16:
            self._mistakes.add((*key, "in_flight"), f"{model.in_flight} requests under way; give 1 to 16")
            return None
        slow = next((path for path in (primary, standby) if path and path.framing is not FrameKind.TCP), None)
        if model.in_flight > 1 and slow is not None:
            text = f"{model.in_flight} requests under way cannot be told apart in {slow.framing} frames; give 1"
            self._mistakes.add((*key, "in_flight"), text)
            return None
        if not 1 <= model.connections <= 8:
            self._mistakes.add((*key, "connections"), f"{model.connections} connections; give 1 to 8")
            return None
        if model.connections > 1 and slow is not None:
            text = f"{model.connections} connections would be as many masters on one {slow.framing} bus; give 1"
            self._mistakes.add((*key, "connections"), text)
            return None
        return primary, standby

    def _path(self, line: str, model: PathModel, key: KeyPath) -> LinePath | None:
        if model.serial is not None and model.address is not None:
            self._mistakes.add((*key, "serial"), "stands beside an address; give one of the two")
        elif model.serial is not None:
            return self._serial(line, model, model.serial, key)
        elif model.address is None:
            text = "is missing; give for example 192.0.2.10:502, or serial with port and baud"
            self._mistakes.add((*key, "address"), text)
        else:
            framing = model.framing or FrameKind.TCP
            if model.tls is not None and framing is not FrameKind.TCP:
                self._mistakes.add((*key, "framing"), f"{framing} does not go with tls; leave one of the two out")
                return None
            host, port = model.address
            path = TcpPath(host, port, framing, self._tls(model.tls, (*key, "tls")))
            other, its_framing = self._peers.setdefault((host, port), (line, framing))
            if other != line and (framing, its_framing) != (FrameKind.TCP, FrameKind.TCP):
                text = f"{path} is already the way of line {other}; a bus bears one master, so put all on one line"
                self._mistakes.add((*key, "address"), text)
                return None
            return path
        return None

    def _serial(self, line: str, model: PathModel, serial: SerialModel, key: KeyPath) -> SerialPath | None:
        here: KeyPath = (*key, "serial")
        framing = model.framing or FrameKind.RTU
        stop_bits = serial.stop_bits
        if stop_bits is None:
            # MODBUS over Serial Line V1.02, section 2.5.1: a second stop bit takes the place of a missing parity bit.
            stop_bits = 2 if serial.parity is Parity.NONE else 1
        found: list[tuple[KeyPath, str]] = []
        if framing is FrameKind.TCP:
            found.append(((*key, "framing"), "tcp frames do not go over a serial port; give rtu or ascii"))
        if model.tls is not None:
            found.append(((*key, "tls"), "is for an address, not for a serial port; leave it out"))
        if (other := self._ports.setdefault(serial.port, line)) != line:
            found.append(((*here, "port"), f"{serial.port} is already the port of line {other}; one line has it"))
        if stop_bits not in (1, 2):
            found.append(((*here, "stop_bits"), f"{stop_bits} stop bits are not possible; give 1 or 2"))
        for place, text in found:
            self._mistakes.add(place, text)
        if found:
            return None
        return SerialPath(serial.port, serial.baud, serial.parity, stop_bits, framing, serial.rs485)

    def _tls(self, model: LineTlsModel | None, key: KeyPath) -> TlsFiles | None:
        if model is None:
            return None
        return TlsFiles(
            self._file(model.ca, (*key, "ca")),
            self._file(model.certificate, (*key, "certificate")),
            self._file(model.key, (*key, "key")),
        )

    def _file(self, text: str, key: KeyPath) -> Path:
        return Path(self._document.place(key).file).parent / text
