"""What stands between the PC and a device, as far as the system tells: adapter, batching, control lines.

USB serial adapters collect bytes for up to a latency timer before they hand them over, by default 16 ms on
a common family (measured on benches; common practice, no source). That would sit on top of every arrival
time, so it is read, lowered where that is permitted, and recorded either way.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING, Final

from harness.bench.buffers import buffers
from harness.bench.port_names import other_name
from harness.bench.ports import PortSpec, holders, scheme

if TYPE_CHECKING:
    from serial import Serial

LATENCY_MS: Final = 1
SYSFS: Final = Path("/sys/class/tty")
MAX_TEXT: Final = 120


def prepare(port: Serial, spec: PortSpec) -> dict[str, str]:
    """Make the port answer as fast as it can and return what is known of it, by topic."""
    facts = {"port": spec.url}
    if scheme(spec.url):
        return facts | {"buffers": buffers(port)}
    facts |= _device(spec.url)
    if better := other_name(spec.url):
        facts["name"] = f"waits for a carrier signal; {better} does not"
    facts["low latency"] = _low_latency(port)
    timer = lower_latency_timer(spec.url)
    if timer:
        facts["latency timer"] = timer
    facts["buffers"] = buffers(port)
    raised = "dtr and rts raised at opening"
    if spec.held is not None:
        line, level = spec.held
        raised = f"{line} {'raised' if level else 'not raised'} at opening: it switches something"
    facts["control lines"] = raised if has_control_lines(port) else "none"
    others = [who for who in holders(spec.url) if f"(process {os.getpid()})" not in who]
    if others:
        facts["also open in"] = ", ".join(others)
    return facts


def _device(url: str) -> dict[str, str]:
    """Return the device behind a link, and the adapter's own description."""
    from serial.tools import list_ports

    real = os.path.realpath(url)
    facts = {"device": real} if os.name == "posix" and real != url else {}
    for port in list_ports.comports():
        if port.device in (url, real):
            facts["adapter"] = _printable(f"{port.description} [{port.hwid}]")
    return facts


def _printable(text: str) -> str:
    """Return a description that came out of a device, escaped and bounded."""
    return text.encode("unicode_escape").decode("ascii")[:MAX_TEXT]


def _low_latency(port: Serial) -> str:
    try:
        port.set_low_latency_mode(True)
    except (OSError, ValueError, NotImplementedError, AttributeError) as error:
        return f"not supported here ({_reason(error)})"
    return "on"


def _reason(error: Exception) -> str:
    # pyserial wraps the system's error in a ValueError
    number = getattr(error, "errno", None) or getattr(error.__context__, "errno", None)
    return f"errno {number}, {os.strerror(number)}" if number else type(error).__name__


def lower_latency_timer(url: str, sysfs: Path = SYSFS) -> str:
    """Lower a USB adapter's latency timer to 1 ms; return what it was and is, "" if there is none to read."""
    file = sysfs / Path(os.path.realpath(url)).name / "device" / "latency_timer"
    try:
        was = int(file.read_text())
    except (OSError, ValueError):
        return ""
    if was <= LATENCY_MS:
        return f"{was} ms"
    try:
        file.write_text(f"{LATENCY_MS}\n")
        now = int(file.read_text())
    except (OSError, ValueError) as error:
        return f"{was} ms, could not be lowered ({_reason(error)}): arrivals are late by up to that"
    return f"{now} ms, was {was} ms"


def has_control_lines(port: Serial) -> bool:
    """Return whether the port has modem control lines; pseudo-terminals have none."""
    try:
        port.cts  # noqa: B018 - reading it asks the driver
    except OSError:
        return False
    return True
