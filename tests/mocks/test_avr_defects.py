"""The catalogue of firmware defects has every switch of the firmware, and every entry is fit to be shown."""

from __future__ import annotations

import re

import pytest

from harness.plan.checks import CHECK_KINDS
from harness.plan.find import shipped_plans
from harness.plan.reader import load_plan
from mocks.avr.defects import CATALOGUE, find_firmware_defect
from mocks.avr.macros import REFERENCE, known_macros
from mocks.defects.model import Felt

each = pytest.mark.parametrize("defect", CATALOGUE, ids=lambda defect: defect.name)
OTHERS = {"FAULT_CRASH_MS", "FAULT_HANG_MS", "FAULT_FLOOD_MS", "FAULT_SILENT_MS", "FAULT_ROLE"}
"""Of the bench, not of the link: tests of the bench use them."""


def test_every_fault_of_a_link_that_the_firmware_has_is_a_defect_or_a_near_miss():
    used = {
        name
        for defect in CATALOGUE
        for macros in (defect.receiver, defect.transmitter, defect.near_receiver, defect.near_transmitter)
        for name in macros
    }
    faults = set(re.findall(r"^#ifndef (FAULT_\w+)", (REFERENCE / "faults.h").read_text(), re.MULTILINE))
    assert faults - OTHERS == {name for name in used if name.startswith("FAULT_")}
    assert used <= known_macros()


def test_names_are_given_once_and_found():
    names = [defect.name for defect in CATALOGUE]
    assert len(set(names)) == len(names) >= 25
    assert all(find_firmware_defect(name).name == name for name in names)
    assert all(re.fullmatch(r"[a-z0-9]+(-[a-z0-9]+)*", name) for name in names)


def test_the_catalogue_stands_in_the_order_of_what_the_pilot_feels():
    groups = [list(Felt).index(defect.felt) for defect in CATALOGUE]
    assert groups == sorted(groups)


@each
def test_an_entry_can_be_told_and_run(defect):
    assert max(map(len, (defect.wrong, defect.cause, defect.near_miss))) < 110
    assert defect.severity in ("dangerous", "serious", "nuisance")
    assert defect.receiver or defect.transmitter
    near = (defect.near_receiver, defect.near_transmitter)
    assert any(near)
    assert near != (defect.receiver, defect.transmitter)


@each
def test_the_plan_that_should_catch_it_holds_the_check(defect):
    assert defect.caught_by in {kind.WORD for kind in CHECK_KINDS}
    plan = load_plan(shipped_plans()[defect.plan])
    assert defect.caught_by in {check.rule.WORD for check in plan.checks}
    if defect.severity == "dangerous":
        assert defect.plan in ("failsafe", "acceptance")
