"""Input devices as the kernel shows them under /sys/class/input, in a folder made alike.

The layout and the bit maps are the kernel's (Documentation/input; `input_bits_to_string`); the devices
are invented.
"""

from __future__ import annotations

import struct
from collections.abc import Iterable
from pathlib import Path

import pytest

from checkback.errors import UserError
from checkback.hearing.pedals.devices import Device, DeviceMissingError, best_name, devices, find

KEY_A, KEY_B, BTN_LEFT, BTN_TOUCH = 30, 48, 0x110, 0x14A


def bit_map(codes: Iterable[int]) -> str:
    """Words of the computer's own width, the highest first, without leading zeros."""
    bits = 8 * struct.calcsize("P")
    value = sum(1 << code for code in codes)
    words = []
    while value:
        words.append(f"{value & (1 << bits) - 1:x}")
        value >>= bits
    return " ".join(reversed(words)) or "0"


def node(sysfs: Path, number: int, name: str, identity: str, phys: str, keys: Iterable[int]) -> None:
    about = sysfs / f"event{number}" / "device"
    (about / "id").mkdir(parents=True)
    (about / "capabilities").mkdir()
    vendor, product = identity.split(":")
    for file, text in {
        "name": name, "phys": phys, "uniq": "", "id/vendor": vendor, "id/product": product,
        "capabilities/key": bit_map(keys),
    }.items():  # fmt: skip
        (about / file).write_text(f"{text}\n")


@pytest.fixture
def sysfs(tmp_path: Path) -> Path:
    node(tmp_path, 2, "Pedal Two Keyboard", "1a2b:00ff", "usb-0000:00:14.0-2/input0", [KEY_A, KEY_B])
    node(tmp_path, 10, "Pedal Two", "1a2b:00ff", "usb-0000:00:14.0-2/input1", [BTN_LEFT])
    node(tmp_path, 3, "Pedal Two Wheel", "1a2b:00ff", "usb-0000:00:14.0-2/input2", [])
    node(tmp_path, 4, "Touch Pad", "0000:0000", "i2c-1/input0", [BTN_LEFT, BTN_TOUCH])
    node(tmp_path, 5, "Keyboard", "0001:0001", "isa0060/serio0/input0", range(1, 128))
    (tmp_path / "mice").mkdir()
    return tmp_path


def test_the_nodes_of_one_device_belong_together(sysfs: Path) -> None:
    assert devices(sysfs) == [
        Device("Pedal Two", "1a2b:00ff", "usb-0000:00:14.0-2", ("event2", "event10")),
        Device("Keyboard", "0001:0001", "isa0060/serio0", ("event5",)),
    ]
    assert devices(sysfs / "none") == []


@pytest.mark.parametrize("text", ["1a2b:00ff", "1A2B:00FF", "pedal", "Pedal Two", "usb-0000:00:14.0-2"])
def test_a_device_is_found_by_what_stays_the_same(sysfs: Path, text: str) -> None:
    assert find(text, devices(sysfs)).nodes == ("event2", "event10")


def test_a_device_that_is_not_there_or_not_the_only_one_is_said(sysfs: Path) -> None:
    with pytest.raises(DeviceMissingError, match='no pedal "other" is plugged in: plug it in'):
        find("other", devices(sysfs))
    node(sysfs, 11, "Pedal Two", "1a2b:00ff", "usb-0000:00:14.0-3/input0", [KEY_A])
    with pytest.raises(
        UserError, match=r"is the name of 2 devices: .* usb-0000:00:14.0-2 or usb-0000:00:14.0-3"
    ):
        find("1a2b:00ff", devices(sysfs))
    with pytest.raises(UserError, match="is empty"):
        find(" ", devices(sysfs))


def test_the_best_name_is_the_one_that_outlasts_another_plug(sysfs: Path) -> None:
    pedal, keyboard = devices(sysfs)
    assert best_name(pedal, [pedal, keyboard]) == "1a2b:00ff"
    twin = Device("Pedal Two", "1a2b:00ff", "usb-0000:00:14.0-3", ("event11",))
    # two of one make are told apart by where they are plugged in only
    assert best_name(pedal, [pedal, twin]) == "usb-0000:00:14.0-2"
