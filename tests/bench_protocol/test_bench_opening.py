"""The edge that opens a bench: mocks for a mock rig, ports for a serial one, and nothing in between."""

from __future__ import annotations

import re
from contextlib import closing
from pathlib import Path

import pytest
from far_ends import pty_pair

import harness
from harness.bench.mocked import list_defects, require_defect
from harness.bench.opening import open_bench, serve_mock
from harness.bench.protocol import DEVICES, Role
from harness.bench.rig import Rig, find_rig, parse_rig
from harness.clock import MS, SystemClock
from harness.errors import BenchError, UserError
from mocks import ptys
from mocks.defects import CATALOGUE
from mocks.pair import Pair
from mocks.settings import DUNLIN

MOCK = find_rig("mock")
LOSSY = parse_rig("propsoff_rig: 1\nbench: mock\nmock: {loss: 100 %}\n", "lossy.yaml")
WITNESSED = parse_rig("propsoff_rig: 1\nbench: mock\nmock: {witness: true}\n", "witnessed.yaml")


def serial_rig(transmitter: str, receiver: str) -> Rig:
    text = f"propsoff_rig: 1\nbench: serial\ntransmitter: {transmitter}\nreceiver: {receiver}\n"
    return parse_rig(text, "real.yaml")


def stream(seed: int = 1, **options: object) -> list[object]:
    with closing(open_bench(MOCK, DUNLIN, seed, **options)) as bench:  # type: ignore[arg-type]
        return list(bench.advance(1000 * MS))


def test_the_harness_opens_the_virtual_bench_for_a_mock_rig() -> None:
    with closing(open_bench(MOCK, DUNLIN, 1)) as bench:
        assert bench.is_virtual
        assert not bench.is_hardware


def test_the_harness_gives_the_mock_the_rig_s_settings() -> None:
    with closing(open_bench(LOSSY, DUNLIN, 1)) as bench:
        assert "loss=1" in bench.facts["mock"]


def test_the_harness_gets_the_same_bytes_from_a_mock_for_the_same_seed() -> None:
    assert stream() == stream()
    assert stream()


@pytest.mark.parametrize("name", [defect.name for defect in list_defects("mock")])
def test_the_harness_gives_the_mock_a_defect_or_its_near_miss(name: str) -> None:
    with closing(open_bench(MOCK, DUNLIN, 1, defect=name)) as bench:
        assert name in bench.facts["defect"]
        assert bench.advance(100 * MS)
    with closing(open_bench(MOCK, DUNLIN, 1, defect=name, near_miss=True)) as bench:
        assert "near" in bench.facts["defect"]


def test_the_harness_offers_the_nearest_defect() -> None:
    name = CATALOGUE[0].name
    with pytest.raises(UserError, match=name):
        open_bench(MOCK, DUNLIN, 1, defect=name[:-1])


@pytest.mark.parametrize(("kind", "other"), [("mock", "avr"), ("avr", "mock")])
def test_the_harness_says_which_rig_has_a_defect_that_this_one_has_not(kind: str, other: str) -> None:
    have = {one.name for one in list_defects(kind)}
    name = next(one.name for one in list_defects(other) if one.name not in have)
    with pytest.raises(
        UserError, match=f"the defect {name} is one of the rig {other}, .*; use --rig {other}"
    ):
        require_defect(kind, name)
    require_defect(other, name)


def test_the_harness_lists_every_defect_in_one_line() -> None:
    listed = list_defects("mock")
    assert [one.name for one in listed] == [defect.name for defect in CATALOGUE]
    assert all(one.wrong and "\n" not in one.wrong for one in listed)


def test_the_harness_opens_the_ports_of_a_serial_rig_with_the_clock_it_is_given() -> None:
    clock = SystemClock()
    with (
        pty_pair() as (_, one),
        pty_pair() as (_, two),
        closing(open_bench(serial_rig(one, two), DUNLIN, 1, clock=clock)) as bench,
    ):
        assert bench.is_hardware
        assert bench.facts["transmitter port"] == one
        assert bench.facts["receiver port"] == two


def test_the_harness_gives_hardware_no_mock_defect() -> None:
    with pytest.raises(UserError, match="--defect is for mocks and the rig real is hardware"):
        open_bench(serial_rig("/dev/a", "/dev/b"), DUNLIN, 1, defect=CATALOGUE[0].name)


def test_the_harness_names_the_port_of_a_rig_that_does_not_open() -> None:
    with pytest.raises(BenchError, match="transmitter port /dev/nowhere: there is no such port") as caught:
        open_bench(serial_rig("/dev/nowhere", "/dev/b"), DUNLIN, 1)
    assert (caught.value.role, caught.value.port) == (Role.TRANSMITTER, "/dev/nowhere")


def test_the_harness_serves_the_mock_that_a_rig_describes(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    served: list[object] = []
    monkeypatch.setattr(ptys, "serve", lambda *what, **where: served.extend((*what, where)))
    serve_mock(LOSSY, None, 7, defect=CATALOGUE[0].name, near_miss=True, link_dir=tmp_path)
    pair, where = served
    assert isinstance(pair, Pair)
    assert pair.settings == LOSSY.simulated
    assert pair.facts["defect"] == f"near-miss of {CATALOGUE[0].name}"
    assert where == {"link_dir": tmp_path}


def served_into(folder: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setattr(ptys, "serve", lambda *_, **__: None)
    serve_mock(LOSSY, None, 7, link_dir=folder)
    return folder / "rig.yaml"


def test_the_harness_writes_a_rig_file_for_the_mock_it_serves(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    file = served_into(tmp_path / "mock 'ports'", monkeypatch)
    rig = find_rig(str(file))
    assert rig.kind == "serial"
    assert {role: spec.url for role, spec in rig.ports.items()} == {
        role: str(file.parent / role) for role in DEVICES
    }
    assert served_into(file.parent, monkeypatch).exists(), "its own file may be written again"


@pytest.mark.parametrize(
    ("rig", "defect"), [(WITNESSED, None), (LOSSY, "pin-off")], ids=["by its settings", "by its defect"]
)
def test_the_harness_names_the_witness_of_the_mock_it_serves(
    rig: Rig, defect: str | None, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setattr(ptys, "serve", lambda *_, **__: None)
    serve_mock(rig, None, 7, defect=defect, link_dir=tmp_path)
    ports = find_rig(str(tmp_path / "rig.yaml")).ports
    assert ports[Role.WITNESS].url == str(tmp_path / "witness")


def test_the_harness_overwrites_no_rig_file_of_another(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    (tmp_path / "rig.yaml").write_text("mine")
    with pytest.raises(UserError, match="would be overwritten"):
        served_into(tmp_path, monkeypatch)
    assert (tmp_path / "rig.yaml").read_text() == "mine"


def test_the_harness_says_that_a_rig_file_cannot_be_written(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    (tmp_path / "file").touch()
    with pytest.raises(UserError, match="cannot be written"):
        served_into(tmp_path / "file", monkeypatch)


def test_the_harness_serves_no_mock_for_a_serial_rig() -> None:
    with pytest.raises(UserError, match="needs a rig with `bench: mock`"):
        serve_mock(serial_rig("/dev/a", "/dev/b"), None, 1)


def test_the_harness_knows_of_mocks_in_this_one_place() -> None:
    package = Path(harness.__file__).parent if harness.__file__ else Path(next(iter(harness.__path__)))
    imports = re.compile(r"^\s*(from|import) mocks\b", re.MULTILINE)
    knowing = [file for file in package.rglob("*.py") if imports.search(file.read_text())]
    assert knowing == [package / "bench" / "mocked.py"]
