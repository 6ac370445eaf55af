"""Is there a compiler for the emulated bench, and where do built things stand? In a cache, by what went in.

A build is kept under the hash of everything that went into it. An entry ends with the hash of its own
content, so a damaged one is built again; it is written under another name and then moved, so two processes
can build at once.
"""

from __future__ import annotations

import atexit
import ctypes
import hashlib
import os
import shutil
import struct
import subprocess
import tempfile
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from harness.errors import BenchError

SHIM = Path(__file__).with_name("shim.c")
"""The first of its files; the others are named after it."""

PACKAGES = ("gcc", "libc6-dev", "libsimavr-dev", "gcc-avr", "avr-libc")
"""Debian's names."""

INSTALL = f"on Debian and its kin: apt-get install --no-install-recommends {' '.join(PACKAGES)}"

SIMAVR_FOLDERS = ("/usr/include/simavr", "/usr/local/include/simavr")
"""Where simavr's headers stand; `pkg-config simavr` does not work on Debian."""

SHIM_FLAGS = ("-O2", "-std=gnu11", "-Wall", "-Wextra", "-Werror", "-shared", "-fPIC")
FIRMWARE_FLAGS = (
    *("-Os", "-std=c99", "-Wall", "-Wextra", "-Werror", "-ffunction-sections", "-fdata-sections"),
    *("-Wl,--gc-sections", "-DF_CPU=16000000UL"),
)
SECONDS_MAX = 120
ERROR_LINES = 12
ERROR_COLUMNS = 200

_SIZES = struct.Struct("<III")


@dataclass(frozen=True, slots=True)
class Firmware:
    """A program for a core: the flash image from address 0, and its sizes as `avr-size` counts them."""

    image: bytes
    text_bytes: int
    data_bytes: int
    bss_bytes: int

    @property
    def flash_bytes(self) -> int:
        """What it takes of the flash."""
        return self.text_bytes + self.data_bytes

    @property
    def ram_bytes(self) -> int:
        """What its variables take of the SRAM, the stack not counted."""
        return self.data_bytes + self.bss_bytes


def missing_tools() -> tuple[str, ...]:
    """Return what the emulated bench lacks: Debian's package names, and "the source tree" without shim.c."""
    return (() if SHIM.is_file() else ("the source tree",)) + _missing_packages()


def require_tools() -> None:
    """Raise BenchError, as for a port that is not there, if anything is missing to emulate devices."""
    missing = missing_tools()
    if "the source tree" in missing:
        raise BenchError(
            f"the emulated bench runs from the source tree only; the installed package has no {SHIM.name}"
        )
    if missing:
        raise BenchError(f"the emulated bench lacks {', '.join(missing)}; {INSTALL}")


def build_firmware(
    sources: Sequence[Path],
    defines: Mapping[str, str | int],
    includes: Sequence[Path] = (),
    *,
    mcu: str = "atmega1284p",
) -> Firmware:
    """Compile C sources for a core, or take the same build from the cache.

    Raises BenchError with the compiler's first lines if they do not compile, or if tools are missing.
    """
    flags = [*FIRMWARE_FLAGS, f"-mmcu={mcu}", *(f"-D{name}={value}" for name, value in defines.items())]
    folders = dict.fromkeys([*includes, *(source.parent for source in sources)])
    headers = [header for folder in folders for header in sorted(folder.glob("*.h"))]
    key = _key([*sources, *headers], [*flags, _compiler_version()])
    flags += [f"-I{folder}" for folder in includes]
    return _firmware(key, tuple(sources), tuple(flags))


@cache
def _firmware(key: str, sources: tuple[Path, ...], flags: tuple[str, ...]) -> Firmware:
    path = _cached(f"firmware-{key}.bin", lambda folder: _compile_firmware(folder, sources, flags))
    content = path.read_bytes()
    return Firmware(content[_SIZES.size : -_SEAL_BYTES], *_SIZES.unpack_from(content))


def _compile_firmware(folder: Path, sources: Sequence[Path], flags: Sequence[str]) -> bytes:
    elf, image = folder / "firmware.elf", folder / "firmware.bin"
    _call("avr-gcc", [*flags, *map(str, sources), "-o", str(elf)])
    _call("avr-objcopy", ["-O", "binary", "-j", ".text", "-j", ".data", str(elf), str(image)])
    return _SIZES.pack(*_sections(elf)) + image.read_bytes()


def object_sizes(
    sources: Sequence[Path],
    defines: Mapping[str, str | int],
    includes: Sequence[Path] = (),
    *,
    mcu: str = "atmega1284p",
) -> tuple[int, int]:
    """Compile C sources, unlinked, and return their bytes of flash and of SRAM, everything counted.

    Raises BenchError as `build_firmware` does. Not cached.
    """
    flags = [*FIRMWARE_FLAGS, f"-mmcu={mcu}", *(f"-D{name}={value}" for name, value in defines.items())]
    flags += [f"-I{folder}" for folder in includes]
    flags.append("-fno-common")  # else variables that the linker would place are in no section yet
    flash = ram = 0
    with tempfile.TemporaryDirectory(prefix="propsoff-") as scratch:
        for source in sources:
            compiled = Path(scratch) / f"{source.stem}.o"
            _call("avr-gcc", [*flags, "-c", str(source), "-o", str(compiled)])
            text, data, bss = _sections(compiled)
            flash += text + data
            ram += data + bss
    return flash, ram


def _sections(binary: Path) -> tuple[int, int, int]:
    """Bytes of text, data and bss."""
    text, data, bss = map(int, _call("avr-size", [str(binary)]).splitlines()[1].split()[:3])
    return text, data, bss


def build_shim() -> Path:
    """Compile the shim, or take it from the cache; return the shared object."""
    folder = next((Path(name) for name in SIMAVR_FOLDERS if Path(name).is_dir()), None)
    flags = [*SHIM_FLAGS, *(["-isystem", str(folder)] if folder else [])]
    if not SHIM.is_file():
        require_tools()
    parts = sorted(SHIM.parent.glob(f"{SHIM.stem}*.[ch]"))
    sources = [str(part) for part in parts if part.suffix == ".c"]
    key = _key([*parts, *(sorted(folder.glob("*.h")) if folder else [])], flags)

    def compiled(scratch: Path) -> bytes:
        shared = scratch / "shim.so"
        _call("gcc", [*flags, *sources, "-lsimavr", "-o", str(shared)])
        return shared.read_bytes()

    return _cached(f"shim-{key}.so", compiled)


def load_shim() -> ctypes.CDLL:
    """Load the shim. Raises BenchError if it cannot be built or loaded."""
    path = build_shim()
    try:
        return ctypes.CDLL(str(path))
    except OSError:
        path.unlink(missing_ok=True)  # built against a simavr that is no longer there
    try:
        return ctypes.CDLL(str(build_shim()))
    except OSError as error:
        raise BenchError(f"simavr cannot be loaded: {error}; install libsimavr-dev anew") from error


# ---- what is there ----


@cache
def _missing_packages() -> tuple[str, ...]:
    """One probe for each package. A compiler finds its headers itself, wherever they stand."""
    simavr = [f"-I{name}" for name in SIMAVR_FOLDERS]
    probes: dict[str, Callable[[], bool]] = {
        "gcc": lambda: shutil.which("gcc") is not None,
        "libc6-dev": lambda: _includes("gcc", "stdlib.h"),
        "libsimavr-dev": lambda: _includes("gcc", "sim_avr.h", *simavr) and _has_library("libsimavr.so"),
        "gcc-avr": lambda: all(shutil.which(name) for name in ("avr-gcc", "avr-objcopy", "avr-size")),
        "avr-libc": lambda: _includes("avr-gcc", "avr/io.h", "-mmcu=atmega1284p"),
    }
    return tuple(name for name, probe in probes.items() if not probe())


def _includes(compiler: str, header: str, *flags: str) -> bool:
    done = _run([compiler, *flags, "-E", "-x", "c", "-"], f"#include <{header}>\n")
    return done is not None and done.returncode == 0


def _has_library(name: str) -> bool:
    done = _run(["gcc", f"-print-file-name={name}"])
    return done is not None and os.path.isabs(done.stdout.strip())


@cache
def _compiler_version() -> str:
    return _call("avr-gcc", ["--version"])


# ---- running compilers ----


def _run(command: Sequence[str], text: str = "") -> subprocess.CompletedProcess[str] | None:
    """Run a tool in plain English; None if it is not there or takes for ever."""
    try:
        return subprocess.run(  # noqa: S603 - fixed tools, no shell
            command,
            input=text,
            capture_output=True,
            text=True,
            errors="replace",
            timeout=SECONDS_MAX,
            env={**os.environ, "LC_ALL": "C"},
            check=False,
        )
    except (FileNotFoundError, PermissionError, subprocess.TimeoutExpired):
        return None


def _call(tool: str, arguments: Sequence[str]) -> str:
    done = _run([tool, *arguments])
    if done is None:
        require_tools()
        raise BenchError(f"{tool} did not run, or took more than {SECONDS_MAX} s")
    if done.returncode:
        require_tools()
        raise BenchError(f"{tool} failed:\n{_first_lines(done.stderr or done.stdout)}")
    return done.stdout


def _first_lines(text: str) -> str:
    """What a compiler says, bounded and without control characters: sources may hold anything."""
    lines = [line.expandtabs() for line in text.splitlines() if line.strip()]
    shown = ["".join(c if c.isprintable() else "?" for c in line)[:ERROR_COLUMNS] for line in lines]
    return "\n".join([*shown[:ERROR_LINES], *(["..."] if len(lines) > ERROR_LINES else [])])


# ---- the cache ----

_SEAL_BYTES = hashlib.sha256().digest_size


def _key(files: Sequence[Path], words: Sequence[str]) -> str:
    """The hash of everything that goes into a build; names count, folders do not."""
    whole = hashlib.sha256()
    for word in words:
        whole.update(b"word" + hashlib.sha256(word.encode()).digest())
    for file in files:
        whole.update(file.name.encode() + b"\0" + hashlib.sha256(_read(file)).digest())
    return whole.hexdigest()


def _read(file: Path) -> bytes:
    try:
        return file.read_bytes()
    except OSError as error:
        raise BenchError(f"{file}: cannot be read: {error.strerror}") from error


def _cached(name: str, build: Callable[[Path], bytes]) -> Path:
    """Return the sealed file of this name, built anew if it is not there or damaged."""
    made = _fallback_folder.cache_info().currsize  # asking for it makes it
    for folder in (_cache_folder(), *([_fallback_folder()] if made else [])):
        if _sealed(folder / name):
            return folder / name
    with tempfile.TemporaryDirectory(prefix="propsoff-") as scratch:
        content = build(Path(scratch))
    content += hashlib.sha256(content).digest()
    try:
        return _store(_cache_folder(), name, content)
    except OSError:
        return _store(_fallback_folder(), name, content)


def _sealed(path: Path) -> bool:
    try:
        content = path.read_bytes()
    except OSError:
        return False
    return hashlib.sha256(content[:-_SEAL_BYTES]).digest() == content[-_SEAL_BYTES:]


def _store(folder: Path, name: str, content: bytes) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    with tempfile.NamedTemporaryFile(dir=folder, prefix=f"{name}.", delete=False) as file:
        try:
            file.write(content)
            file.flush()
            os.replace(file.name, folder / name)
        except OSError:
            os.unlink(file.name)
            raise
    return folder / name


def _cache_folder() -> Path:
    chosen = os.environ.get("PROPSOFF_CACHE")
    if chosen:
        return Path(chosen)
    home = os.environ.get("XDG_CACHE_HOME")
    return Path(home) / "propsoff" if home else Path(os.path.expanduser("~")) / ".cache" / "propsoff"


@cache
def _fallback_folder() -> Path:
    """For a cache that cannot be written: a folder of this process alone, gone when it ends."""
    folder = Path(tempfile.mkdtemp(prefix="propsoff-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    return folder
