"""The emulated bench builds what it needs once, and says in one line what is missing."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from harness.errors import BenchError
from mocks.avr import toolchain
from mocks.avr.toolchain import build_firmware, build_shim, missing_tools, object_sizes, require_tools

ROOT = Path(__file__).parents[2]
SOURCE = """
#include <avr/io.h>
#include "size.h"
uint8_t filled[SIZE] = {1};
uint8_t empty[EMPTY];
int main(void) { for (;;) PORTB = filled[PINB] + empty[PINC]; }
"""


@pytest.fixture
def cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    folder = tmp_path / "cache"
    monkeypatch.setenv("PROPSOFF_CACHE", str(folder))
    forget()
    return folder


@pytest.fixture
def source(tmp_path: Path) -> Path:
    (tmp_path / "size.h").write_text("#define SIZE 10\n")
    file = tmp_path / "tiny.c"
    file.write_text(SOURCE)
    return file


def forget() -> None:
    """Start as a new process does, but for the compiler's version."""
    toolchain._firmware.cache_clear()
    toolchain._missing_packages.cache_clear()


def without_compilers(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    forget()


# ---- what is there ----


def test_nothing_is_missing_where_these_tests_run() -> None:
    assert missing_tools() == ()
    require_tools()


def test_missing_tools_are_named_with_the_way_to_get_them(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    without_compilers(monkeypatch, tmp_path)
    assert missing_tools() == toolchain.PACKAGES
    with pytest.raises(BenchError, match=r"lacks gcc, .*avr-libc; on Debian .* apt-get install") as caught:
        require_tools()
    assert "\n" not in str(caught.value)
    monkeypatch.undo()
    forget()


def test_one_missing_package_is_named_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(toolchain, "_has_library", lambda _: False)
    forget()
    assert missing_tools() == ("libsimavr-dev",)
    monkeypatch.undo()
    forget()


def test_an_installed_package_says_that_it_needs_the_source_tree(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setattr(toolchain, "SHIM", tmp_path / "shim.c")
    assert missing_tools() == ("the source tree",)
    with pytest.raises(BenchError, match="from the source tree only"):
        build_shim()


# ---- building ----


def test_firmware_has_the_image_and_sizes_that_the_linker_says(cache: Path, source: Path) -> None:
    firmware = build_firmware([source], {"EMPTY": 100})
    assert firmware.image[:2] == b"\x0c\x94"  # the reset vector: JMP (data sheet, interrupt vectors)
    assert len(firmware.image) == firmware.flash_bytes
    assert (firmware.data_bytes, firmware.bss_bytes, firmware.ram_bytes) == (10, 100, 110)
    assert firmware.image.endswith(b"\x01" + bytes(9))


def test_objects_are_counted_whole(cache: Path, source: Path) -> None:
    (source.parent / "size.h").write_text("#define SIZE 20\n#define EMPTY 300\n")
    flash, ram = object_sizes([source, source], {})
    assert ram == 2 * (20 + 300)
    assert flash > 2 * 20


def test_a_second_build_needs_no_compiler(
    cache: Path, source: Path, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    first, shim = build_firmware([source], {"EMPTY": 1}), build_shim()
    without_compilers(monkeypatch, tmp_path)
    assert build_firmware([source], {"EMPTY": 1}) == first
    assert build_shim() == shim
    assert {file.suffix for file in cache.iterdir()} == {".bin", ".so"}
    with pytest.raises(BenchError, match="lacks gcc"):
        build_firmware([source], {"EMPTY": 2})
    monkeypatch.undo()
    forget()


def test_a_change_of_source_header_or_define_is_built_anew(cache: Path, source: Path) -> None:
    sizes = [
        build_firmware([source], {"EMPTY": 1}).ram_bytes,
        build_firmware([source], {"EMPTY": 2}).ram_bytes,
    ]
    (source.parent / "size.h").write_text("#define SIZE 12\n")
    sizes.append(build_firmware([source], {"EMPTY": 2}).ram_bytes)
    source.write_text(SOURCE.replace("{1}", "{2}"))
    assert build_firmware([source], {"EMPTY": 2}).image.endswith(b"\x02" + bytes(11))
    assert sizes == [11, 12, 14]
    assert len(list(cache.iterdir())) == 4


def test_headers_of_include_folders_count_too(cache: Path, source: Path, tmp_path: Path) -> None:
    other = tmp_path / "other"
    other.mkdir()
    (source.parent / "size.h").rename(other / "size.h")
    assert build_firmware([source], {"EMPTY": 1}, [other]).ram_bytes == 11
    (other / "size.h").write_text("#define SIZE 30\n")
    assert build_firmware([source], {"EMPTY": 1}, [other]).ram_bytes == 31


@pytest.mark.parametrize(
    "damage",
    [
        lambda content: b"",
        lambda content: content[:-1],
        lambda content: content[: len(content) // 2],
        lambda content: bytes([content[0] ^ 1]) + content[1:],
    ],
    ids=["empty", "short by one", "half", "one bit"],
)
def test_a_damaged_entry_is_built_again(cache: Path, source: Path, damage: Callable[[bytes], bytes]) -> None:
    first = build_firmware([source], {"EMPTY": 1})
    (entry,) = cache.iterdir()
    whole = entry.read_bytes()
    entry.write_bytes(damage(whole))
    forget()
    assert build_firmware([source], {"EMPTY": 1}) == first
    assert entry.read_bytes() == whole


def test_a_cache_that_cannot_be_written_is_done_without(
    source: Path, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    (tmp_path / "file").write_text("in the way")
    monkeypatch.setenv("PROPSOFF_CACHE", str(tmp_path / "file" / "cache"))
    forget()
    assert build_firmware([source], {"EMPTY": 3}).ram_bytes == 13
    forget()


def test_the_cache_stands_where_the_environment_says(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.delenv("PROPSOFF_CACHE", raising=False)
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    assert toolchain._cache_folder() == tmp_path / "propsoff"
    monkeypatch.delenv("XDG_CACHE_HOME")
    monkeypatch.setenv("HOME", str(tmp_path / "home"))
    assert toolchain._cache_folder() == tmp_path / "home" / ".cache" / "propsoff"


BUILD = """
import sys
from pathlib import Path
from mocks.avr.toolchain import build_firmware
print(build_firmware([Path(sys.argv[1])], {"EMPTY": 5}).ram_bytes)
"""


def test_processes_that_build_at_once_do_not_hurt_each_other(cache: Path, source: Path) -> None:
    command = [sys.executable, "-c", BUILD, str(source)]
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    started = [
        subprocess.Popen(command, env=environment, stdout=subprocess.PIPE, text=True) for _ in range(4)
    ]
    assert [one.communicate()[0] for one in started] == ["15\n"] * 4
    assert len(list(cache.iterdir())) == 1


def test_sources_that_do_not_compile_are_told_in_the_compilers_words(cache: Path, source: Path) -> None:
    source.write_text("int main(void) { return \x1b[31m nothing; }\n" + "oops;\n" * 100)
    with pytest.raises(BenchError, match=r"tiny\.c:1:\d+: error") as caught:
        build_firmware([source], {})
    words = str(caught.value)
    assert "\x1b" not in words
    assert words.count("\n") <= toolchain.ERROR_LINES + 1
    assert max(map(len, words.splitlines())) <= toolchain.ERROR_COLUMNS
    assert words.endswith("...")
    assert not cache.exists()


def test_a_source_that_is_not_there_is_named(cache: Path, tmp_path: Path) -> None:
    with pytest.raises(BenchError, match=r"gone\.c: cannot be read"):
        build_firmware([tmp_path / "gone.c"], {})
