"""Runs test plans under pytest: `pytest testplans/ --rig mock` makes one test of every check.

Active on install. It looks only at YAML files that begin as plans do, and imports the harness only when there
is one, or when a test asks for the `bench` fixture.
"""

from __future__ import annotations

import re
from argparse import ArgumentTypeError
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import pytest

if TYPE_CHECKING:
    from harness.plan.model import Plan
    from harness.report.document import Outcome
    from harness.running import Request
    from harness.scripting import ScriptedBench

LOOKS_LIKE_A_PLAN: Final = re.compile(rb"^propsoff\s*:", re.MULTILINE)
HEAD_BYTES: Final = 4096
"""A plan says what it is in its first lines; more is not read of files that may be anything."""


def pytest_addoption(parser: pytest.Parser) -> None:
    """Add the harness's options to pytest's."""
    group = parser.getgroup("propsoff", "radio-control link test plans")
    group.addoption(
        "--rig", default="mock", help="rig file or built-in rig for plans and `bench` (default: mock)"
    )
    group.addoption("--propsoff-seed", default=None, help="seed of all chance (default: a fresh one)")
    group.addoption("--propsoff-out", default="propsoff-runs", help="folder for run folders")
    group.addoption("--propsoff-defect", default=None, help="give the mock bench this defect")
    group.addoption("--propsoff-near-miss", action="store_true", help="its near miss instead")
    group.addoption(
        "--real-time", action="store_true", help="ask the system for real-time scheduling on real ports"
    )
    group.addoption(
        "--props-off", action="store_true", help="the propellers are off: clears real ports to move"
    )
    group.addoption("--unit", default=None, help="name of the unit under test, for reports and the history")
    group.addoption(
        "--throttle-up-to", default=None, help="lower the cap on throttle sticks, such as '10 %%'"
    )


def pytest_configure(config: pytest.Config) -> None:
    """Tell pytest our marker."""
    config.addinivalue_line(
        "markers",
        "propsoff(plan): the plan whose link the `bench` fixture tests; a file or a shipped plan's name",
    )


def pytest_report_header(config: pytest.Config) -> list[str]:
    """Print the cautions where real ports are cleared to move."""
    if not config.getoption("--props-off"):
        return []
    from harness.running import CAUTIONS

    return CAUTIONS.splitlines()


def pytest_collect_file(file_path: Path, parent: pytest.Collector) -> PlanFile | None:
    """Take YAML files that look like plans."""
    if file_path.suffix not in (".yaml", ".yml"):
        return None
    try:
        with file_path.open("rb") as file:
            head = file.read(HEAD_BYTES)
    except OSError:
        return None
    return PlanFile.from_parent(parent, path=file_path) if LOOKS_LIKE_A_PLAN.search(head) else None


class PlanFile(pytest.File):
    """One plan; it is run once, when the first of its checks is."""

    def collect(self) -> Iterator[CheckItem]:
        """Make an item of every check; a plan with errors is a collection error with all of them."""
        from harness.errors import PlanError
        from harness.plan.reader import load_plan

        try:
            self.plan = load_plan(self.path)
        except PlanError as error:
            raise self.CollectError(str(error)) from None
        self._outcome: Outcome | Exception | None = None
        self.folder = ""
        for check in self.plan.checks:
            yield CheckItem.from_parent(self, name=check.name)

    def outcome(self) -> Outcome:
        """Run the plan, once; raises the error that ended it, every time."""
        if self._outcome is None:
            try:
                self._outcome = self._run()
            except Exception as error:
                self._outcome = error
                raise
        if isinstance(self._outcome, Exception):
            raise self._outcome
        return self._outcome

    def _run(self) -> Outcome:
        from harness.report.folder import RunFolder, default_out
        from harness.report.live import Quiet
        from harness.running import run

        request = _request(self.config, self.plan, str(self.path))
        out = Path(self.config.getoption("--propsoff-out")) / default_out(self.plan.name, request.seed).name
        with RunFolder.create(out, numbered=True) as folder:
            ran = run(request, folder, Quiet())
        self.folder = str(folder.final)
        if ran.interrupted:  # no further plan may move anything
            raise KeyboardInterrupt
        return ran.outcome


def _request(config: pytest.Config, plan: Plan, file: str) -> Request:
    from harness.bench.rig import find_rig
    from harness.chance import fresh_seed, parse_seed
    from harness.interlock import capped
    from harness.options import share, unit
    from harness.running import Request

    cap = config.getoption("--throttle-up-to")
    named = config.getoption("--unit")
    seed = config.getoption("--propsoff-seed")
    try:
        seed = fresh_seed() if seed is None else parse_seed(seed)
    except ValueError as error:
        raise pytest.UsageError(f"--propsoff-seed: {error}") from None
    try:
        throttle = None if cap is None else share(cap)
    except ArgumentTypeError as error:
        raise pytest.UsageError(f"--throttle-up-to: {error}") from None
    try:
        name = "" if named is None else unit(named)
    except ArgumentTypeError as error:
        raise pytest.UsageError(f"--unit: {error}") from None
    request = Request(
        plan=plan,
        file=file,
        rig=find_rig(config.getoption("--rig")),
        seed=seed,
        defect=config.getoption("--propsoff-defect"),
        near_miss=config.getoption("--propsoff-near-miss"),
        props_off=config.getoption("--props-off"),
        real_time=config.getoption("--real-time"),
        unit=name,
    )
    return capped(request, throttle)


class CheckFailedError(Exception):
    """A check did not pass; its text is the whole account."""


class CheckItem(pytest.Item):
    """One check of one plan. Anything but a pass fails the test, in its own words.

    Only a check that the plan lets go unjudged, as without a witness, is skipped.
    """

    parent: PlanFile

    def runtest(self) -> None:
        """Run the plan if that has not been done, and look at this check."""
        from harness.escape import clean
        from harness.report.text import details
        from harness.verdict import Verdict

        outcome = self.parent.outcome()
        result = next(result for result in outcome.judgement.results if result.name == self.name)
        if result.verdict is Verdict.NONE:
            pytest.skip(clean(result.reason))
        if result.verdict is not Verdict.PASS:
            kept = f"seed {outcome.header.seed}, run kept in {self.parent.folder}"
            raise CheckFailedError(f"{details(result)}\n{kept}")

    def repr_failure(self, excinfo: pytest.ExceptionInfo[BaseException], style: Any = None) -> Any:
        """Show the account of the check instead of a traceback through the harness."""
        from harness.errors import PropsoffError
        from harness.escape import printable_lines

        if isinstance(excinfo.value, CheckFailedError | PropsoffError):
            return printable_lines(str(excinfo.value))
        return super().repr_failure(excinfo, style)

    def reportinfo(self) -> tuple[Path, int | None, str]:
        """Name the plan and the check."""
        return self.path, None, f"{self.path.name}: {self.name}"


@pytest.fixture
def bench(request: pytest.FixtureRequest) -> Iterator[ScriptedBench]:
    """A connected bench (`harness.scripting.ScriptedBench`) on the rig given by `--rig`.

    The test is marked `@pytest.mark.propsoff(plan="...")` with the plan whose link it tests; first-look's
    if it is not. Whatever happens in the test, the throttle is closed and the devices are released.
    """
    from harness.plan.find import find_plan
    from harness.plan.reader import load_plan
    from harness.report.folder import safe_name
    from harness.scripting import scripted

    marker = request.node.get_closest_marker("propsoff")
    words = [*marker.args, *marker.kwargs.values()] if marker else []
    path = find_plan(words[0] if words else "first-look")
    out = Path(request.config.getoption("--propsoff-out")) / safe_name(request.node.name)
    with scripted(_request(request.config, load_plan(path), str(path)), out) as script:
        yield script
