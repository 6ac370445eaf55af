"""What an installed propsoff has, and what stays in the source tree."""

from __future__ import annotations

from pathlib import Path
from zipfile import ZipFile

import pytest
from hatchling.builders.wheel import WheelBuilder

ROOT = Path(__file__).resolve().parents[1]


@pytest.fixture(scope="module")
def names(tmp_path_factory):
    (wheel,) = WheelBuilder(str(ROOT)).build(
        directory=str(tmp_path_factory.mktemp("wheel")), versions=["standard"]
    )
    with ZipFile(wheel) as archive:
        return set(archive.namelist())


def test_the_wheel_carries_the_packages_and_the_shipped_plans(names):
    assert {"harness/cli.py", "mocks/bench.py", "mocks/avr/module.py"} <= names
    shipped = {f"harness/shipped_plans/{file.name}" for file in (ROOT / "testplans").glob("*.yaml")}
    assert shipped
    assert shipped <= names


def test_the_wheel_carries_what_a_page_is_made_of(names):
    assets = {f"harness/page/assets/{file.name}" for file in (ROOT / "harness/page/assets").iterdir()}
    assert {"harness/page/assets/uPlot.iife.min.js", "harness/page/assets/uPlot.LICENSE"} <= assets
    assert assets <= names


def test_the_wheel_carries_no_native_code_and_nothing_that_links_the_emulator(names):
    """The emulator library is under the GPL; what links it stays in the source tree, for the tests."""
    assert (ROOT / "mocks/avr/shim.c").exists()
    assert not [name for name in names if name.endswith((".c", ".h", ".so", ".o", ".elf", ".hex"))]
