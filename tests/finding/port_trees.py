"""A machine with serial ports, arranged in a folder: links, sysfs, rights and processes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from harness.finding.system import Owned, System

DIALOUT = Owned("dialout", group_may=True, is_roots=False)
ROOTS = Owned("root", group_may=False, is_roots=True)


@dataclass
class Listed:
    """What pyserial would tell of one port."""

    device: str
    description: str | None = "n/a"
    vid: int | None = None
    pid: int | None = None
    serial_number: str | None = None


@dataclass
class Machine:
    """Ports by device name, in a tree that `system` looks at."""

    root: Path
    ports: list[Listed] = field(default_factory=list)
    closed: dict[str, Owned] = field(default_factory=dict)
    read_only: set[str] = field(default_factory=set)

    def adapter(
        self, device: str, serial: str | None = "A1", *, ids: tuple[int, int] = (0x1234, 0xABCD)
    ) -> None:
        self.file(device)
        self.ports.append(Listed(device, "USB serial adapter", *ids, serial))

    def line(self, device: str, uart: str) -> None:
        self.file(device)
        self.file(f"/sys/class/tty/{Path(device).name}/type", f"{uart}\n")
        self.ports.append(Listed(device, Path(device).name))

    def timer(self, device: str, text: str, *, read_only: bool = False) -> None:
        path = f"/sys/class/tty/{Path(device).name}/device/latency_timer"
        self.file(path, text)
        if read_only:
            self.read_only.add(path)

    def link(self, folder: str, name: str, device: str) -> str:
        path = self.root / f"dev/serial/{folder}/{name}"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.symlink_to(f"../../{Path(device).name}")
        return f"/dev/serial/{folder}/{name}"

    def holder(self, number: int, name: str, device: str) -> None:
        self.file(f"/proc/{number}/comm", f"{name}\n")
        (self.root / f"proc/{number}/fd").mkdir()
        (self.root / f"proc/{number}/fd/3").symlink_to(device)

    def file(self, path: str, text: str = "") -> None:
        place = self.root / path.lstrip("/")
        place.parent.mkdir(parents=True, exist_ok=True)
        place.write_text(text)

    @property
    def system(self) -> System:
        def of(path: Path) -> str:
            return f"/{path.relative_to(self.root)}" if path.is_absolute() else str(path)

        closed: Mapping[str, Owned] = self.closed
        return System(
            root=self.root,
            comports=lambda: self.ports,  # type: ignore[arg-type,return-value]
            allowed=lambda path: of(path) not in closed and of(path) not in self.read_only,
            owned=lambda path: closed[of(path)],
        )
