"""The harness takes from a verdict.json what has the right type and bounds, or says where it has not."""

import json

import pytest
from history_samples import FIRST_S, check, document
from hostile import HOSTILE, is_harmless

from harness.history.entry import CHECKS_MAX, OddRunError, entry_of
from harness.kept import KeptRun
from harness.report.document import to_json
from harness.verdict import Verdict


def plain(*results, **given):
    return json.loads(to_json(document(*results, **given)))


def entry(document, modified_ns=5_000_000_000):
    return entry_of(KeptRun(None, document, modified_ns))


def test_takes_every_number_as_it_stands():
    found = entry(plain(check(value=525.25, verdict=Verdict.FAIL, uncertainty=0.5, needed=3)))
    assert (found.at_s, found.dated, found.unit, found.plan, found.seed) == (
        FIRST_S, True, "left wing", "first-look", 7,
    )  # fmt: skip
    assert (found.verdict, found.link_seconds, found.sent, found.applied) == ("fail", 44.1, 1951, 1950)
    (one,) = found.checks
    assert (one.name, one.verdict, one.value, one.low, one.high) == (
        "failsafe_entry",
        "fail",
        525.25,
        524.25,
        526.25,
    )
    assert (one.limit, one.side, one.unit, one.uncertainty, one.needed) == (500.0, "at most", "ms", 0.5, 3)


def test_takes_the_time_of_the_file_where_the_run_has_no_date():
    found = entry(plain(at_s=0))
    assert (found.at_s, found.dated) == (5, False)


def test_reads_documents_from_before_units_were_in_them():
    old = plain()
    del old["units"], old["rig"]["facts"]["unit"]
    found = entry(old)
    assert (found.unit, found.firmware) == ("receiver: dunlin-rx; transmitter: dunlin-tx", "")


@pytest.mark.parametrize(
    ("path", "value", "told"),
    [
        (["verdict"], "good", "`verdict` is the text 'good'; expected one of error, fail, "),
        (["verdict"], ["pass"], "`verdict` is a list of 1; expected one of"),
        (["checks"], None, "`checks` is missing or null; expected a list"),
        (["checks"], [3], "`checks[0]` is the number 3; expected an object"),
        (["checks", 0, "value"], "480", "`checks[0].value` is the text '480'; expected a number, or null"),
        (["checks", 0, "value"], True, "`checks[0].value` is true; expected a number, or null"),
        (["checks", 0, "value"], 1e300, "`checks[0].value` is the number 1e+300; expected a number within"),
        (["checks", 0, "limit"], 10**400, "`checks[0].limit` is a huge number; expected a number within"),
        (["checks", 0, "interval"], [1], "`checks[0].interval` is a list of 1; expected a list of two"),
        (["checks", 0, "interval"], [1, {}], "`checks[0].interval[1]` is an object; expected a number"),
        (["checks", 0, "samples"], -1, "`checks[0].samples` is the number -1; expected a whole number up to"),
        (["checks", 0, "samples"], 2**63, "`checks[0].samples` is a huge number; expected a whole"),
        (["checks", 0, "name"], "", "`checks[0].name` is the text ''; expected a text"),
        (["checks", 0, "verdict"], None, "`checks[0].verdict` is missing or null; expected one of"),
        (["plan"], [], "`plan` is a list of 0; expected an object"),
        (["plan", "name"], 7, "`plan.name` is the number 7; expected a text"),
        (["rig", "hardware"], "yes", "`rig.hardware` is the text 'yes'; expected true or false"),
        (["seed"], 2**64, "`seed` is a huge number; expected a whole number up to 18446744073709551615"),
        (["started"], "soon", "`started` is 'soon'; expected a date and time in UTC"),
        (["started"], "0001-01-01T00:00:00Z", "`started` is '0001-01-01T00:00:00Z'; expected a date"),
        (["packets", "sent"], 1.5, "`packets.sent` is the number 1.5; expected a whole number"),
    ],
)  # fmt: skip
def test_says_which_key_is_wrong_and_what_was_expected(path, value, told):
    odd = plain()
    place = odd
    for key in path[:-1]:
        place = place[key]
    place[path[-1]] = value
    with pytest.raises(OddRunError) as caught:
        entry(odd)
    assert told in str(caught.value)


def test_reads_no_more_checks_than_a_plan_can_have():
    many = plain()
    many["checks"] = many["checks"] * (CHECKS_MAX + 1)
    with pytest.raises(OddRunError, match=f"`checks` holds {CHECKS_MAX + 1} entries"):
        entry(many)


@pytest.mark.parametrize("text", HOSTILE.values(), ids=HOSTILE)
def test_cleans_and_bounds_every_text(text):
    foreign = text.decode("utf-8", "replace") * 200
    odd = plain(check())
    odd["plan"]["name"] = odd["rig"]["name"] = odd["rig"]["facts"]["unit"] = foreign
    odd["checks"][0] |= {"name": foreign, "kind": foreign, "unit": foreign, "sample_unit": foreign}
    odd["units"]["receiver"]["version"] = foreign
    found = entry(odd)
    (one,) = found.checks
    texts = (found.plan, found.rig, found.unit, found.firmware, one.name, one.kind, one.unit, one.sample_unit)
    assert all(is_harmless(word) and len(word) <= 200 for word in texts)


def test_keeps_the_largest_seed():
    assert entry(plain(seed=2**64 - 1)).seed == 2**64 - 1
