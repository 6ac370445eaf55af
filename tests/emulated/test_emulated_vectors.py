"""Every golden frame of shared/vectors.yaml runs through the C library on the emulated microcontroller."""

from __future__ import annotations

import sys
from copy import deepcopy
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "firmware"))

import vectors_gen

from harness.clock import S
from mocks.avr.emulator import Emulator, Kind
from mocks.avr.toolchain import build_firmware

LONGEST_NS = 120 * S
STEP_NS = S // 2


def told(folder, document=None):
    """Return the lines that the program tells on UART0 until it is done."""
    sources, defines, includes = vectors_gen.avr_vector_program(folder)
    if document is not None:
        vectors_gen.write_header(folder, document)
    image = build_firmware(sources, defines, includes).image
    text = b""
    with Emulator() as emulator:
        emulator.add_core(image)
        while emulator.now_ns < LONGEST_NS and b"done " not in text[:-8]:
            emulator.run(emulator.now_ns + STEP_NS)
            text += b"".join(event.data for event in emulator.events() if event.kind is Kind.BENCH)
    return text.decode("ascii").splitlines()


def test_every_golden_frame_and_hostile_stream_holds_on_the_emulated_board(tmp_path):
    checks = len(vectors_gen.checks_of())
    assert checks > 100
    assert told(tmp_path) == [f"done {2 * checks} checks"]


def test_a_wrong_golden_frame_is_told_by_name_on_the_emulated_board(tmp_path):
    document = deepcopy(vectors_gen.document())
    entry = next(item for item in document["messages"] if item["direction"] == "to PC")
    frame = bytes.fromhex(entry["frame"])
    entry["frame"] = (frame[:-2] + bytes((frame[-2] ^ 0x10,)) + frame[-1:]).hex()
    *failures, done = told(tmp_path, document)
    assert done.startswith("done ")
    assert failures
    assert all(entry["name"] in failure for failure in failures)
