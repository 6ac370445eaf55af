"""May I open this port, and how soon does its adapter hand bytes over? If not well, exactly what to do.

A mend is text; lines that begin with `INDENT` are commands or rules, to be copied as they stand. What is said
of udev (the order of its files, `uaccess`, matching attributes) is from the manual pages udev(7) and
systemd's `70-*.rules` convention, from memory.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Final

from harness.bench.adapter import LATENCY_MS
from harness.finding.system import System

INDENT: Final = "    "
RULES_FILE: Final = "/etc/udev/rules.d/70-serial-bench.rules"
"""Before 73, where systemd hands devices marked `uaccess` to whoever sits at the machine."""
RELOAD: Final = f"{INDENT}sudo udevadm control --reload && sudo udevadm trigger"


@dataclass(frozen=True, slots=True)
class Access:
    """Whether the port may be opened, as far as the system tells without doing it; else how to mend it."""

    allowed: bool
    mend: str = ""


@dataclass(frozen=True, slots=True)
class Latency:
    """An adapter's latency timer in ms. `lowers` is whether propsoff may lower it when it opens the port."""

    timer_ms: int
    lowers: bool
    mend: str = ""

    def words(self) -> str:
        """Return what it is and what becomes of it."""
        if self.timer_ms <= LATENCY_MS:
            return f"{self.timer_ms} ms"
        if self.lowers:
            return f"{self.timer_ms} ms; lowered to {LATENCY_MS} ms when a run opens the port"
        return f"{self.timer_ms} ms, and you may not lower it: bytes arrive up to {self.timer_ms} ms late"


def read_access(system: System, device: str, usb_id: str) -> Access:
    """Return whether `device` may be opened; `usb_id` is `vendor:product` in hexadecimal, or ""."""
    path = system.at(device)
    if system.allowed(path):
        return Access(allowed=True)
    try:
        owned = system.owned(path)
    except OSError as error:
        return Access(allowed=False, mend=f"cannot be looked at: {error.strerror or error}")
    if owned.group_may and not owned.is_roots:
        if owned.member:
            mend = f"you are in the group {owned.group} already, but not in this login: log out and in again"
        else:
            mend = (
                f"it belongs to the group {owned.group}: join it, then log out and in again\n"
                f"{INDENT}sudo usermod -aG {owned.group} $USER"
            )
        return Access(allowed=False, mend=mend)
    return Access(allowed=False, mend=_rule(device, owned.group, usb_id))


def _rule(device: str, group: str, usb_id: str) -> str:
    if not usb_id:
        return (
            f"its group ({group}) has no right to it either, and no USB adapter is behind it to write a rule "
            f"for; for this once:\n{INDENT}sudo chmod a+rw {device}"
        )
    vendor, product = usb_id.split(":")
    return (
        f"its group ({group}) has no right to it either: add this line to {RULES_FILE}\n"
        f'{INDENT}SUBSYSTEM=="tty", ATTRS{{idVendor}}=="{vendor}", ATTRS{{idProduct}}=="{product}", '
        f'MODE="0660", TAG+="uaccess"\n'
        f"and let it take effect, then plug the adapter in again\n{RELOAD}"
    )


def read_latency(system: System, device: str) -> Latency | None:
    """Return the adapter's latency timer, None where there is none to read."""
    file = f"/sys/class/tty/{Path(device).name}/device/latency_timer"
    text = system.text(file)
    if not text.isascii() or not text.isdigit() or len(text) > 6:
        return None
    timer = int(text)
    if timer <= LATENCY_MS or system.allowed(system.at(file)):
        return Latency(timer, lowers=timer > LATENCY_MS)
    return Latency(
        timer,
        lowers=False,
        mend=(
            f"lower it until the adapter is unplugged:\n{INDENT}echo {LATENCY_MS} | sudo tee {file}\n"
            f"or for ever, with this line in {RULES_FILE}\n"
            f'{INDENT}ACTION=="add", SUBSYSTEM=="usb-serial", ATTR{{latency_timer}}=="?*", '
            f'ATTR{{latency_timer}}="{LATENCY_MS}"\n'
            f"and let it take effect, then plug the adapter in again\n{RELOAD}"
        ),
    )
