"""Small recordings for the tests in this folder."""

import io
from dataclasses import replace

from harness.bench.protocol import Role
from harness.recording import Direction, Header, RecordingWriter

PLAN = "propsoff: 1\ntitle: Dunlin, a first look\n# wing rock \u2264 5\u00b0\n"
HEADER = Header(
    plan_name="first-look",
    plan_text=PLAN,
    rig_name="mock",
    rig_text="mock:\n  loss: 1 %\n",
    seed=7,
    versions=(("propsoff", "0.1.0"), ("python", "3.11.2")),
    clock="virtual",
    wall_seconds=0,
    hardware=False,
    baud={Role.TRANSMITTER: 115_200, Role.RECEIVER: 250_000},
    facts={"receiver.port": "simulated", "transmitter.port": "simulated, \u00e4: [b]"},
)
WITNESSED = replace(HEADER, baud={**HEADER.baud, Role.WITNESS: 57_600})
ON_HARDWARE = replace(HEADER, hardware=True, clock="monotonic", wall_seconds=1_700_000_000)
START_NS = 5 * 10**15
"""A bench clock may start anywhere."""
EVENTS = (
    (Role.TRANSMITTER, Direction.TO_DEVICE, b"\x02\x01\x01\x00", 1_000),
    (Role.RECEIVER, Direction.TO_DEVICE, b"\x03\x01\x02\x03\x00", 2_000),
    (Role.TRANSMITTER, Direction.TO_PC, bytes(range(1, 38)), 3_000_000_001),
    (Role.TRANSMITTER, Direction.TO_PC, b"\xff", 3_000_000_000),
    (Role.RECEIVER, Direction.TO_PC, b"", 6_000_000_000),
    (Role.RECEIVER, Direction.TO_PC, b"boot v1\r\n\x00", 2**32 + 17),
)
SEEN_BY_WITNESS = (
    (Role.WITNESS, Direction.TO_DEVICE, b"\x02\x01\x01\x00", 500),
    *EVENTS,
    (Role.WITNESS, Direction.TO_PC, b"\x03\x70\x01\x02\x00", 2**32 + 18),
)


def recorded(header=HEADER, events=EVENTS, *, ended=True, start_ns=START_NS, flush_every=3):
    """Return the bytes of a recording with a mark in front, one behind, and a few flushes between."""
    file = io.BytesIO()
    writer = RecordingWriter(file, header, start_ns)
    writer.mark(start_ns, "begin")
    for number, (role, direction, data, at_ns) in enumerate(events, 1):
        writer.packet(role, direction, data, start_ns + at_ns)
        if number % flush_every == 0:
            writer.flush()
    writer.mark(start_ns + 7_000_000_000, "step", kind="sweep", path="steps[0]", name="\u00e4", times=[1, 2])
    if ended:
        writer.mark(start_ns + 8_000_000_000, "end", why="complete", detail="")
    writer.close()
    return file.getvalue()
