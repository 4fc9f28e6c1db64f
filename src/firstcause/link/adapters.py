"""Adapters on this machine: found, named for the user, and opened at a bit rate, listening only where they can.

Nothing is sent here and no serial port is touched: what hangs on a serial port is not known before it is opened, so
such a port is named, and tried only when the user says so.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import can
from can.interfaces import VALID_INTERFACES

from firstcause.errors import CarError

# The option that makes an adapter listen without taking part. Source: python-can 4.6.1, read; a test holds them to it.
LISTEN_ONLY: Mapping[str, Mapping[str, Any]] = {
    "cantact": {"monitor": True},
    "nixnet": {"listen_only": True},
    "pcan": {"state": can.BusState.PASSIVE},
    "seeedstudio": {"operation_mode": "silent"},
    "slcan": {"listen_only": True},
    "systec": {"state": can.BusState.PASSIVE},
    "vector": {"listen_only": True},
}
_NO_ADAPTER = frozenset(("virtual", "udp_multicast", "serial", "socketcand"))  # buses without a wire, or of other kind
_RATE_SET_OUTSIDE = frozenset(("socketcan", "socketcand", "virtual", "udp_multicast"))
_NET = Path("/sys/class/net")
_ARPHRD_CAN, _IFF_UP = 280, 1  # include/uapi/linux/if_arp.h and if.h


class AdapterFailed(CarError):
    """The adapter could not be opened."""

    def __init__(self, interface: str, channel: str | int, cause: Exception) -> None:
        self.interface, self.channel, self.cause = interface, channel, cause
        super().__init__(
            f"The adapter {interface!r} on {str(channel)!r} could not be opened ({cause}). Nothing was sent. "
            "Check that it is plugged in, that its driver is there, and that no other program holds it."
        )


class NoAdapter(CarError):
    """There is none."""

    def __init__(self, ports: Iterable[Adapter] = ()) -> None:
        self.ports = tuple(ports)
        named = ", ".join(str(port.channel) for port in self.ports)
        serial = (
            f"A serial adapter may hang on {named}: if so, say --serial, or --interface slcan --channel "
            f"{self.ports[0].channel}."
            if self.ports
            else "One that is not found by itself can be named with --interface and --channel."
        )
        super().__init__(
            "No adapter was found on this machine. Nothing was sent. Plug it in and see that its driver is there. "
            + serial
        )


@dataclass(frozen=True, slots=True)
class Adapter:
    """One adapter as python-can opens it, and how people call it.

    `is_serial`: a serial port on which an adapter may hang. `off` says why it cannot be used yet, in words.
    """

    interface: str
    channel: str | int
    name: str
    is_serial: bool = False
    off: str = ""
    options: Mapping[str, Any] = field(default_factory=dict, compare=False)

    @property
    def listens_only(self) -> bool:
        """Whether it can listen without taking part; else it answers each frame on the wire, wrong ones too."""
        return self.interface in LISTEN_ONLY

    @property
    def has_rate(self) -> bool:
        """Whether the bit rate is ours to choose; a SocketCAN device has the one that the operating system gave it."""
        return self.interface not in _RATE_SET_OUTSIDE


def named_adapter(interface: str, channel: str) -> Adapter:
    """The adapter that the user names."""
    return Adapter(interface, channel, f"{interface} {channel}")


def open_adapter(adapter: Adapter, bitrate: int, listen_only: bool) -> can.BusABC:
    """The bus of an adapter at a bit rate in bit/s. Raises AdapterFailed."""
    options = {**adapter.options, **(LISTEN_ONLY.get(adapter.interface, {}) if listen_only else {})}
    try:
        return can.Bus(interface=adapter.interface, channel=adapter.channel, bitrate=bitrate, **options)
    except (can.CanError, OSError, ValueError, ImportError, NotImplementedError) as cause:
        raise AdapterFailed(adapter.interface, adapter.channel, cause) from cause


def found_adapters(
    detect: Callable[[str], Iterable[Mapping[str, Any]]] = can.detect_available_configs,
    serial_ports: Callable[[], Iterable[Any]] | None = None,
    net: Path = _NET,
) -> tuple[Adapter, ...]:
    """All adapters of this machine: SocketCAN devices, those whose drivers tell of them, last the serial ports.

    `detect` asks python-can's backend of one name; `serial_ports` lists ports as pyserial does (its own list when not
    given, none without pyserial); `net` is where Linux shows its network devices. A driver that fails is passed over.
    """
    return (*_socketcan(net), *_told_by_drivers(detect), *_serial(serial_ports or _comports))


def _socketcan(net: Path) -> Iterator[Adapter]:
    for device in sorted(net.iterdir()) if net.is_dir() else ():
        try:
            kind, flags = int((device / "type").read_text()), int((device / "flags").read_text(), 16)
        except (OSError, ValueError):
            continue
        if kind == _ARPHRD_CAN:
            off = "" if flags & _IFF_UP else (
                f"it is switched off in the operating system; switch it on: "
                f"sudo ip link set {device.name} up type can bitrate 500000"
            )  # fmt: skip
            yield Adapter("socketcan", device.name, f"CAN device {device.name}", off=off)


def _told_by_drivers(detect: Callable[[str], Iterable[Mapping[str, Any]]]) -> Iterator[Adapter]:
    for interface in sorted(VALID_INTERFACES - _NO_ADAPTER - {"socketcan", "slcan"}):
        with _quiet_log():
            try:
                configs = list(detect(interface))
            except Exception:  # whatever one driver raises must not hide the adapters of the others
                continue
        for config in configs:
            options = {key: value for key, value in config.items() if key not in ("interface", "channel")}
            channel = config.get("channel", "")
            yield Adapter(interface, channel, f"adapter {interface}, channel {channel}", options=options)


def _serial(ports: Callable[[], Iterable[Any]]) -> Iterator[Adapter]:
    for port in ports():
        described = port.description if port.description not in (None, "", "n/a") else "nothing known about it"
        yield Adapter("slcan", port.device, f"serial port {port.device} ({described})", is_serial=True)


def _comports() -> Iterable[Any]:
    try:
        from serial.tools.list_ports import comports
    except ImportError:
        return ()
    return tuple(comports())


@contextmanager
def _quiet_log() -> Iterator[None]:
    """A driver that is not installed is no news to the user; python-can warns of each."""
    log = logging.getLogger("can")
    before = log.level
    log.setLevel(logging.CRITICAL)
    try:
        yield
    finally:
        log.setLevel(before)
