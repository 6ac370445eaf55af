"""The harness says what is wrong, where, and how to mend it, and never mixes the four kinds of trouble."""

from __future__ import annotations

import pytest

from harness import errors
from harness.errors import BenchError, ExitCode, PlanError, Problem, PropsoffError, RigError, UserError

TYPO = Problem(
    file="plan.yaml",
    line=14,
    column=16,
    path="steps[2].sweep.perriod",
    found="unknown key",
    allowed="keys here are channels, shape, period",
    nearest="period",
)


def test_problem_reads_as_place_path_what_allowed_and_nearest() -> None:
    assert str(TYPO) == (
        "plan.yaml:14:16: steps[2].sweep.perriod: unknown key; keys here are channels, shape, period; "
        "did you mean period?"
    )


def test_problem_of_a_whole_file_has_no_line() -> None:
    assert str(Problem("plan.yaml", 0, 0, "", "the file is empty")) == "plan.yaml: the file is empty"


def test_problem_leaves_out_what_is_not_known() -> None:
    assert str(Problem("plan.yaml", 3, 1, "link", "missing")) == "plan.yaml:3:1: link: missing"


@pytest.mark.parametrize("kind", [PlanError, RigError])
def test_document_error_tells_every_problem_in_order(kind: type[errors.DocumentError]) -> None:
    second = Problem("plan.yaml", 20, 1, "checks", "missing")
    error = kind((TYPO, second))
    assert str(error).splitlines() == [str(TYPO), str(second)]
    assert error.problems == (TYPO, second)


def test_exit_codes_are_the_documented_ones() -> None:
    assert {code.name: code.value for code in ExitCode} == {
        "PASS": 0,
        "FAIL": 1,
        "USER_ERROR": 2,
        "BENCH_ERROR": 3,
        "INTERNAL_ERROR": 4,
        "INCONCLUSIVE": 5,
    }


def test_every_error_of_ours_carries_its_exit_code() -> None:
    kinds = [
        kind for kind in vars(errors).values() if isinstance(kind, type) and issubclass(kind, PropsoffError)
    ]
    for kind in kinds:
        user, bench = issubclass(kind, UserError), issubclass(kind, BenchError)
        assert not (user and bench)
        if user:
            assert kind.exit_code is ExitCode.USER_ERROR
        elif bench:
            assert kind.exit_code is ExitCode.BENCH_ERROR
        else:
            assert kind is PropsoffError


def test_bench_error_names_role_port_and_time() -> None:
    error = BenchError("the port is gone", role="receiver", port="COM5", at_ns=17)
    assert (str(error), error.role, error.port, error.at_ns) == ("the port is gone", "receiver", "COM5", 17)
