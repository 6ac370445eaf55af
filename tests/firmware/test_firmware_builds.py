"""The firmware library builds without a complaint, within its budget, and to nothing in the flown build."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import pytest
from firmware_host import (
    AVR,
    FIRMWARE,
    HERE,
    LANGUAGES,
    LIBRARY,
    STRICT,
    compile_object,
    needs_avr_gcc,
    needs_gcc,
    run,
)

MAKER = HERE / "maker.c"
ROLES = {"transmitter": 1, "receiver": 2, "witness": 4}
FLASH_BYTES, RAM_BYTES = 3_200, 200
each_language = pytest.mark.parametrize("language", LANGUAGES.values(), ids=LANGUAGES)


@needs_gcc
@each_language
@pytest.mark.parametrize("roles", range(1, 8))
@pytest.mark.parametrize("optimized", ["-O0", "-Os", "-O3"])
def test_library_compiles_without_a_warning(language: Sequence[str], roles: int, optimized: str) -> None:
    compile_object(language, LIBRARY, *STRICT, optimized, f"-DBENCH_ROLES={roles}")


@needs_avr_gcc
@pytest.mark.parametrize("roles", range(1, 8))
def test_library_compiles_for_the_board_without_a_warning(roles: int) -> None:
    compile_object(AVR, LIBRARY, *STRICT, f"-DBENCH_ROLES={roles}")


@needs_gcc
@pytest.mark.parametrize(
    "wrong", ["BENCH_FIELDS=0", "BENCH_FIELDS=256", 'BENCH_BUILD="a name of 24 bytes in all."']
)
def test_library_refuses_to_build_with_what_cannot_work(wrong: str) -> None:
    with pytest.raises(AssertionError, match=r"BENCH_FIELDS must be|build_fits_a_text"):
        compile_object(LANGUAGES["C99"], LIBRARY, f"-D{wrong}")


@needs_gcc
@each_language
@pytest.mark.parametrize("disabled", [False, True], ids=["bench", "flown"])
def test_program_that_calls_everything_builds_and_runs(
    tmp_path: Path, language: Sequence[str], disabled: bool
) -> None:
    flags = [*STRICT, f"-I{FIRMWARE}", *(["-DBENCH_DISABLED"] if disabled else [])]
    run([*language, *flags, MAKER, LIBRARY, "-o", tmp_path / "program"])
    run([tmp_path / "program"])


def sizes(prefix: str, made: Path) -> tuple[int, int, int]:
    """Bytes of text, data and bss."""
    text, data, bss = run([f"{prefix}size", made]).stdout.splitlines()[1].split()[:3]
    return int(text), int(data), int(bss)


def symbols(prefix: str, made: Path) -> list[str]:
    """Names defined in an object, or wanted by it; those that every object for an AVR has left out."""
    names = [line.split()[-1] for line in run([f"{prefix}nm", made]).stdout.splitlines()]
    return [name for name in names if not name.startswith("__")]


@needs_gcc
@each_language
@pytest.mark.parametrize("optimized", ["-O0", "-Os"])
def test_flown_build_holds_nothing_of_the_library(language: Sequence[str], optimized: str) -> None:
    made = compile_object(language, LIBRARY, *STRICT, optimized, "-DBENCH_DISABLED")
    assert (sizes("", made), symbols("", made)) == ((0, 0, 0), [])
    assert symbols("", compile_object(language, LIBRARY, optimized)) != []


@needs_avr_gcc
def test_flown_build_for_the_board_holds_nothing_of_the_library() -> None:
    made = compile_object(AVR, LIBRARY, "-DBENCH_DISABLED")
    assert (sizes("avr-", made), symbols("avr-", made)) == ((0, 0, 0), [])


@needs_avr_gcc
def test_flown_program_is_as_small_as_one_without_a_bench(tmp_path: Path) -> None:
    empty = tmp_path / "empty.c"
    empty.write_text("int main(void)\n{\n    return 0;\n}\n", encoding="utf-8")
    flags = [*AVR, "-DBENCH_DISABLED", f"-I{FIRMWARE}"]
    run([*flags, MAKER, LIBRARY, "-o", tmp_path / "flown.elf"])
    run([*flags, empty, "-o", tmp_path / "empty.elf"])
    assert sizes("avr-", tmp_path / "flown.elf") == sizes("avr-", tmp_path / "empty.elf")


@needs_avr_gcc
@pytest.mark.parametrize("role", ROLES)
def test_library_for_one_role_keeps_within_its_memory(role: str) -> None:
    made = compile_object(AVR, LIBRARY, f"-DBENCH_ROLES={ROLES[role]}")
    text, data, bss = sizes("avr-", made)
    assert text + data <= FLASH_BYTES
    assert data + bss <= RAM_BYTES
    wanted = {line.split()[-1] for line in run(["avr-nm", "-u", made]).stdout.splitlines()}
    assert wanted <= {"__do_copy_data", "__do_clear_bss"}, "what it draws from libraries counts too"


@needs_gcc
@each_language
def test_call_of_another_role_is_an_error_when_linking(tmp_path: Path, language: Sequence[str]) -> None:
    with pytest.raises(AssertionError, match="undefined reference to `bench_applied"):
        run([*language, f"-I{FIRMWARE}", "-DBENCH_ROLES=1", MAKER, LIBRARY, "-o", tmp_path / "program"])
