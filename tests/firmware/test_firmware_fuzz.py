"""The firmware library survives any bytes; `fuzz.sh` looks for worse ones on demand."""

from __future__ import annotations

import struct
import subprocess
from pathlib import Path

import fuzz_inputs
import pytest
from firmware_host import FIRMWARE, HERE, LANGUAGES, LIBRARY, SANITIZE, needs_gcc, run

pytestmark = needs_gcc
SEED = 3
COUNT = 1_000


@pytest.fixture(scope="module")
def fed() -> bytes:
    made = fuzz_inputs.inputs(SEED, COUNT)
    return b"".join(struct.pack("<H", len(data)) + data for data in made)


def fuzzer(folder: Path, library: Path, *flags: str) -> Path:
    program = folder / "fuzz"
    sources = [HERE / "fuzz.c", library]
    options = [*LANGUAGES["C99"], *SANITIZE, "-Wall", "-Wextra", "-Werror", "-DPLAIN_FUZZ", *flags]
    run([*options, f"-I{FIRMWARE}", *sources, "-o", program])
    return program


def test_damaged_frames_in_any_order_do_no_harm(tmp_path: Path, fed: bytes) -> None:
    done = subprocess.run([fuzzer(tmp_path, LIBRARY)], input=fed, capture_output=True, check=False)
    assert (done.returncode, done.stdout) == (0, f"{COUNT} inputs\n".encode()), done.stderr.decode()


HARM = {
    "writes past what it keeps": ("if (count <= KEPT)", "if (count <= BENCH_MAX_FRAME)"),
    "takes more channels than told": ("if (count > me->who.channels)", "if (count > 16)"),
    "injects past the last field": ("value[5 * i] >= BENCH_FIELDS", "value[5 * i] >= 64"),
    "gives a number back": ("    me->number++;\n", "    me->number = (uint16_t)(me->number + sent);\n"),
}


@pytest.mark.parametrize("harm", HARM)
def test_fuzzing_finds_a_library_that_does_harm(tmp_path: Path, fed: bytes, harm: str) -> None:
    sound, harmful = HARM[harm]
    text = LIBRARY.read_text(encoding="utf-8")
    assert text.count(sound) == 1
    spoilt = tmp_path / "bench_port.c"
    spoilt.write_text(text.replace(sound, harmful), encoding="utf-8")
    done = subprocess.run([fuzzer(tmp_path, spoilt)], input=fed, capture_output=True, check=False)
    assert done.returncode != 0
