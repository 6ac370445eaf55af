"""How are ports and their answers told? As blocks for people, as JSON for scripts."""

from __future__ import annotations

import json
import shlex
import sys
import textwrap
from collections.abc import Iterator, Mapping, Sequence
from typing import Any, Final

from harness.bench.protocol import DEVICES, Role
from harness.finding.access import INDENT
from harness.finding.answers import Answer, Outcome, abilities, particulars
from harness.finding.listing import Found, Kind, trouble
from harness.plan.wording import many
from harness.report.escape import clean

WIDTH: Final = 110
LABEL: Final = 12
MAX_URL: Final = 300
NEXT_ASK: Final = (
    "Which device is behind which port: propsoff ports --ask\nA rig file from what answers: propsoff rig"
)
NO_PORTS: Final = """\
No serial port is here. Look at this:
  * is the adapter plugged in, and does its cable carry data (many only charge)?
  * does the system see it? On Linux `lsusb` and `sudo dmesg | tail` say so; on Windows the Device
    Manager does, under Ports (COM & LPT)
  * is its driver there? A device that `lsusb` shows and this list does not lacks one
  * in a container or a virtual machine the device must be handed in from outside
  * a bench elsewhere is named by hand: propsoff ports --ask rfc2217://HOST:PORT
"""


def ports_text(found: Sequence[Found], answers: Mapping[str, Answer] | None = None) -> str:
    """Return a block for each port, and one line for lines of the computer that have no hardware."""
    empty = [port for port in found if port.kind is Kind.EMPTY and port.name not in (answers or {})]
    told = [port for port in found if port not in empty]
    blocks = ["\n".join(_block(port, (answers or {}).get(port.name))) for port in told]
    if not told:
        blocks.append(NO_PORTS.rstrip("\n"))
    if empty:
        names = [port.device for port in empty]
        span = names[0] if len(names) == 1 else f"{names[0]} to {names[-1]}"
        blocks.append(f"{many(len(names), 'built-in line')} without hardware: {span}")
    if told:
        blocks += _next(found, answers)
    return "\n\n".join(blocks) + "\n"


def _next(found: Sequence[Found], answers: Mapping[str, Answer] | None) -> list[str]:
    """Return what to type next: nothing if something is amiss, for that is told already."""
    if answers is None:
        return [NEXT_ASK]
    roles = {answers[port.name].role: port for port in found if port.name in answers}
    if any(role not in roles for role in DEVICES):
        return []
    names = (shlex.quote(roles[role].name) for role in Role if role in roles)
    return [f"A rig file from these: propsoff rig my-bench.yaml {' '.join(names)}"]


def _block(port: Found, answer: Answer | None) -> Iterator[str]:
    yield clean(port.name, MAX_URL)
    if why := trouble(port):
        yield from _row("trouble", why)
        return
    if port.device != port.name:
        yield from _row("device", clean(port.device, MAX_URL))
    if port.may_change:
        yield from _row("name", f"may change: {port.may_change}")
    yield from _row("adapter", port.adapter.words() if port.adapter else _without_adapter(port.kind))
    if port.latency is not None:
        yield from _row("latency", port.latency.words(), port.latency.mend)
    if port.kind is not Kind.NETWORK:
        yield from _row(
            "permission",
            "you may open it" if port.access.allowed else "you may not open it",
            port.access.mend,
        )
        yield from _row(
            "in use", f"by {', '.join(port.held_by)}" if port.held_by else "by nobody that can be seen"
        )
    if answer is not None:
        yield from _answer(answer)


def _without_adapter(kind: Kind) -> str:
    if kind is Kind.NETWORK:
        return "none here: a port of another machine; its arrival times are less certain"
    if kind is Kind.TERMINAL:
        return "none: a pseudo-terminal, with a program at the other end"
    return "none: a line of the computer itself" if kind in (Kind.BUILT_IN, Kind.EMPTY) else "not known"


def _answer(answer: Answer) -> Iterator[str]:
    mend = "" if answer.outcome is Outcome.NO_PERMISSION and "\n" in answer.mend else answer.mend
    yield from _row("answer", answer.found, mend)
    if answer.identity is not None:
        yield from _row("", f"{particulars(answer.identity)}, at {answer.baud} baud")
        yield from _row("can", abilities(answer.identity))


def _row(label: str, text: str, mend: str = "") -> Iterator[str]:
    """Return one labelled line, folded; lines of the mend that are commands are left as they are."""
    head = f"  {label:<{LABEL}}"
    pad = " " * len(head)
    yield from _folded(text, head, pad)
    for line in mend.splitlines():
        if line.startswith(INDENT):
            yield pad + line
        else:
            yield from _folded(line, f"{pad}-> ", pad + "   ")


def _folded(text: str, head: str, pad: str) -> list[str]:
    return textwrap.wrap(
        text,
        WIDTH,
        initial_indent=head,
        subsequent_indent=pad,
        break_long_words=False,
        break_on_hyphens=False,
    )


def ports_document(
    found: Sequence[Found], answers: Mapping[str, Answer] | None = None
) -> list[dict[str, Any]]:
    """Return what `ports_text` tells as JSON values; texts of devices are escaped already."""
    return [_port(port, (answers or {}).get(port.name)) for port in found]


def _port(port: Found, answer: Answer | None) -> dict[str, Any]:
    adapter, latency = port.adapter, port.latency
    told: dict[str, Any] = {
        "name": port.name,
        "device": port.device,
        "kind": port.kind.value,
        "may_change": port.may_change,
        "adapter": adapter and {
            "description": adapter.description, "usb_id": adapter.usb_id, "serial": adapter.serial
        },
        "latency_timer_ms": latency and latency.timer_ms,
        "latency_timer_can_be_lowered": latency and latency.lowers,
        "allowed": port.access.allowed,
        "mend": port.access.mend,
        "held_by": list(port.held_by),
    }  # fmt: skip
    if answer is not None:
        told["answer"] = _answer_document(answer)
    return told


def _answer_document(answer: Answer) -> dict[str, Any]:
    told: dict[str, Any] = {
        "outcome": answer.outcome.value,
        "role": answer.role and answer.role.value,
        "found": answer.found,
        "mend": answer.mend,
        "baud": answer.baud,
        "tried": list(answer.tried),
    }
    identity = answer.identity
    if identity is not None:
        told |= {
            "firmware": clean(identity.firmware), "version": clean(identity.version),
            "serial": clean(identity.serial), "channels": identity.channels,
            "packet_rate_mhz": identity.packet_rate_mhz, "protocol": identity.protocol,
            "abilities": abilities(identity),
        }  # fmt: skip
    return told


def to_json(document: object) -> str:
    """Return a document as ASCII JSON, two spaces a level, with a line end."""
    return json.dumps(document, indent=2, ensure_ascii=True) + "\n"


def say(line: str) -> None:
    """Tell how it goes on, beside the result."""
    print(line, file=sys.stderr, flush=True)
