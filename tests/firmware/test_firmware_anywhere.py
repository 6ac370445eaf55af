"""The firmware library does as `shared/vectors.yaml` says in a program that any machine can run."""

from __future__ import annotations

from copy import deepcopy
from pathlib import Path
from typing import Any

import firmware_host as host
import pytest
import vectors_gen
from firmware_host import FIRMWARE, HERE, LANGUAGES, build, needs_avr_gcc, needs_gcc, run
from vectors import document

MAIN = HERE / "vectors_main.c"


def told(folder: Path, language: str, vectors: dict[str, Any] | None = None) -> list[str]:
    """The lines that the program says for a vectors file."""
    vectors_gen.write_header(folder, vectors)
    return run([build(language, MAIN, f"-I{folder}")]).stdout.splitlines()


@needs_gcc
@pytest.mark.parametrize("language", LANGUAGES)
def test_every_golden_frame_is_written_and_taken(tmp_path: Path, language: str) -> None:
    checks = 2 * len(vectors_gen.checks_of())
    assert checks > 2 * (len(document()["messages"]) + len(document()["streams"]))
    assert told(tmp_path, language) == [f"done {checks} checks"]


@needs_gcc
@pytest.mark.parametrize(
    ("section", "name", "spoil"),
    [
        ("messages", "sent, zeros", lambda entry: entry.update(frame=entry["frame"][:-4] + "4100")),
        ("messages", "sticks, six channels", lambda entry: entry["fields"].update(set_number=4712)),
        ("messages", "restart", lambda entry: entry.update(counter=8)),
        ("streams", "unknown type towards a device", lambda entry: entry["outcome"].pop(0)),
    ],
)
def test_program_names_the_check_that_failed(tmp_path: Path, section: str, name: str, spoil: Any) -> None:
    vectors = deepcopy(document())
    (entry,) = [entry for entry in vectors[section] if entry["name"] == name]
    spoil(entry)
    *failed, done = told(tmp_path, "C99", vectors)
    assert set(failed) == {f"FAILED {name}"}
    assert done == f"done {2 * len(vectors_gen.checks_of())} checks"


@needs_avr_gcc
def test_program_fits_an_8_bit_board(tmp_path: Path) -> None:
    sources, defines, includes = vectors_gen.avr_vector_program(tmp_path)
    flags = [f"-D{name}={value}" for name, value in defines.items()] + [f"-I{folder}" for folder in includes]
    elf = tmp_path / "vectors.elf"
    run([*host.AVR, "-Wall", "-Wextra", "-Werror", *flags, *sources, "-o", elf])
    text, data, bss = map(int, run(["avr-size", elf]).stdout.splitlines()[1].split()[:3])
    assert text + data < 64 * 1024  # one flash page of 64 KiB, which a plain pointer reaches
    assert data + bss < 4 * 1024
    assert FIRMWARE in includes
