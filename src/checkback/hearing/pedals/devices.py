"""Which input devices this Linux computer has, told without opening any of them.

What the kernel shows under /sys/class/input may be read by everybody, the devices themselves may
not: so that a pedal is found, and named, also when the rights to it are missing.  (Documentation of
the kernel: Documentation/input/input.rst and the attributes of `struct input_dev`.)
"""

from __future__ import annotations

import re
import struct
from dataclasses import dataclass
from pathlib import Path

from checkback.errors import UserError

SYSFS = Path("/sys/class/input")
NODES = Path("/dev/input")

# linux/input-event-codes.h
_BTN_TOUCH = 0x14A
_WORD_BITS = 8 * struct.calcsize("P")


class DeviceMissingError(UserError):
    """The device is not plugged in; it may come."""


@dataclass(frozen=True)
class Device:
    """A device with keys, as the kernel names it.

    Attributes
    ----------
    name : str
    identity : str
        Vendor and product like "1a2b:00ff"; the same for all devices of one make.
    place : str
        Where it is plugged in; empty if the kernel does not tell.
    nodes : tuple of str
        Its event nodes that have keys, such as "event5"; the numbers change with each plugging.
    """

    name: str
    identity: str
    place: str
    nodes: tuple[str, ...]

    def __str__(self) -> str:
        place = f", {self.place}" if self.place else ""
        return f"{self.name} ({self.identity}{place})"


def devices(sysfs: Path = SYSFS) -> list[Device]:
    """Return every device with keys; the event nodes of one device belong together.

    Parameters
    ----------
    sysfs : Path
        The kernel's folder, or a copy of it.
    """
    found: dict[tuple[str, str, str], list[tuple[str, str]]] = {}
    for node in sorted(sysfs.glob("event*"), key=lambda path: (len(path.name), path.name)):
        about = node / "device"
        keys = _bits(about / "capabilities/key")
        # a finger on a touch pad is no press
        if not keys or keys >> _BTN_TOUCH & 1:
            continue
        name = _line(about / "name") or "without a name"
        identity = f"{_line(about / 'id/vendor') or '0000'}:{_line(about / 'id/product') or '0000'}"
        # the parts of one device differ in what follows the last stroke
        place = re.sub(r"/input\d+$", "", _line(about / "phys"))
        one = f"{place} {_line(about / 'uniq')}".strip() or name
        found.setdefault((identity, place, one), []).append((name, node.name))
    return [
        Device(min((name for name, _ in nodes), key=len), identity, place, tuple(node for _, node in nodes))
        for (identity, place, _), nodes in found.items()
    ]


def may_be_read(device: Device, nodes: Path = NODES) -> bool:
    """Return whether this user may read every node of a device; opened, and closed at once."""
    for node in device.nodes:
        try:
            with (nodes / node).open("rb", buffering=0):
                pass
        except OSError:
            return False
    return True


def find(text: str, among: list[Device]) -> Device:
    """Return the device that `text` means.

    Parameters
    ----------
    text : str
        Vendor and product ("1a2b:00ff"), or the name or a part of it, or the place where it is plugged in.
    among : list of Device

    Raises
    ------
    DeviceMissingError
        If there is none.
    UserError
        If there are several.
    """
    wanted = text.strip().lower()
    if not wanted:
        raise UserError("pedals.device is empty: see checkback pedal --list")
    fits = [each for each in among if wanted in (each.identity, each.name.lower(), each.place.lower())]
    fits = fits or [each for each in among if wanted in each.name.lower()]
    if not fits:
        raise DeviceMissingError(
            f'no pedal "{text}" is plugged in: plug it in, or see checkback pedal --list'
        )
    if len(fits) > 1:
        raise UserError(
            f'pedals.device "{text}" is the name of {len(fits)} devices: give the place of one instead, '
            f"{' or '.join(each.place or 'unknown' for each in fits)}"
        )
    return fits[0]


def best_name(device: Device, among: list[Device]) -> str:
    """Return the text by which `find` finds the device, also when it is plugged in elsewhere if it can."""
    for text in (device.identity, device.name, device.place):
        if text and text != "0000:0000":
            try:
                if find(text, among) == device:
                    return text
            except UserError:
                continue
    return device.name


def _line(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8", errors="replace").strip()
    except OSError:
        return ""


def _bits(path: Path) -> int:
    """Return a bit map of the kernel: words in hexadecimal, the highest first."""
    value = 0
    for word in _line(path).split():
        value = value << _WORD_BITS | int(word, 16)
    return value
