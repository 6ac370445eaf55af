"""The harness finds a plan by path, or a shipped one by name."""

from __future__ import annotations

from pathlib import Path

import pytest

from harness.errors import PlanError
from harness.plan import find
from harness.plan.find import CHECKOUT, find_plan, shipped_plans


def test_lists_the_shipped_plans_of_a_checkout() -> None:
    plans = shipped_plans()
    assert list(plans) == sorted(path.stem for path in CHECKOUT.glob("*.yaml"))
    assert {"first-look", "acceptance", "failsafe", "regression"} <= set(plans)
    assert all(path.is_file() for path in plans.values())


def test_prefers_the_plans_of_an_installed_package(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "mine.yaml").touch()
    (tmp_path / "plan.schema.json").touch()
    monkeypatch.setattr(find, "INSTALLED", tmp_path)
    assert shipped_plans() == {"mine": tmp_path / "mine.yaml"}


def test_finds_a_shipped_plan_by_name() -> None:
    assert find_plan("first-look") == shipped_plans()["first-look"]


def test_prefers_a_file_of_that_name(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "first-look").touch()
    (tmp_path / "failsafe").mkdir()
    (tmp_path / "other").mkdir()
    assert find_plan("first-look") == Path("first-look")
    assert find_plan(tmp_path / "first-look") == tmp_path / "first-look"
    assert find_plan("failsafe") == shipped_plans()["failsafe"]  # a folder is no plan
    assert find_plan("other") == Path("other")  # reading it says that it is a directory


@pytest.mark.parametrize(
    ("word", "meant"),
    [
        ("frist-look", "; did you mean first-look?"),
        ("plans/failsafe.yaml", "; did you mean failsafe?"),
        ("zzz", ""),
        ("a\0b", ""),
        ("x" * 5000, ""),
    ],
    ids=["misspelt", "elsewhere", "unknown", "no path", "too long"],
)
def test_names_the_shipped_plans_when_there_is_no_such_plan(word: str, meant: str) -> None:
    with pytest.raises(PlanError) as caught:
        find_plan(word)
    names = ", ".join(shipped_plans())
    told = f": no such file, and no plan of this name is shipped; shipped plans: {names}{meant}"
    assert str(caught.value).endswith(told)
    assert str(caught.value).isprintable()
