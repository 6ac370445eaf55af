"""The harness writes JUnit XML in which nothing that was not shown counts as passed."""

from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest
import xmlschema
from report_samples import HEADER, JUDGEMENT, OUTCOME, RESULTS, hostile

from harness.report.document import Outcome
from harness.report.junit import junit_xml
from harness.verdict import Verdict

HERE = Path(__file__).parent


@pytest.fixture(scope="module")
def schema():
    return xmlschema.XMLSchema(HERE / "junit.xsd")


def outcome(*verdicts, unit="", module="", **header):
    facts = {name: words for name, words in (("unit", unit), ("module", module)) if words}
    header = {"facts": facts, **header}
    results = tuple(replace(RESULTS[0], verdict=verdict) for verdict in verdicts)
    return Outcome(replace(JUDGEMENT, results=results), replace(HEADER, **header), "x")


def test_writes_the_whole_document():
    assert junit_xml((OUTCOME,)) == (HERE / "stored" / "junit.xml").read_text()


@pytest.mark.parametrize(
    "outcomes",
    [(), (OUTCOME,), (OUTCOME, OUTCOME), (hostile(),), (outcome(),), (outcome(wall_seconds=1_700_000_000),)],
    ids=["none", "one", "two", "hostile", "nothing judged", "real time"],
)
def test_is_valid_against_the_common_schema(schema, outcomes):
    schema.validate(ET.fromstring(junit_xml(outcomes)))


def test_would_be_refused_by_the_schema_if_it_were_wrong(schema):
    with pytest.raises(xmlschema.XMLSchemaValidationError):
        schema.validate(junit_xml((OUTCOME,)).replace('time="58.800"', 'time="soon"'))


@pytest.mark.parametrize(
    ("verdict", "tag"),
    [
        (Verdict.FAIL, "failure"),
        (Verdict.INCONCLUSIVE, "error"),
        (Verdict.ERROR, "error"),
        (Verdict.PASS, None),
        (Verdict.NONE, "skipped"),
    ],
)
def test_maps_each_verdict(verdict, tag):
    root = ET.fromstring(junit_xml((outcome(Verdict.PASS, verdict),)))
    _, case = root.iter("testcase")
    found = [child.tag for child in case if child.tag != "system-out"]
    assert found == ([tag] if tag else [])
    assert tag in (None, "skipped") or case.find(tag).get("type") == verdict.value
    assert root.get("failures") == str(int(tag == "failure"))
    assert root.get("errors") == str(int(tag == "error"))
    assert (next(root.iter("skipped"), None) is None) is (tag != "skipped")


def test_skips_what_was_not_judged_with_the_reason_and_counts_it(schema):
    text = junit_xml((outcome(Verdict.PASS, Verdict.NONE),))
    schema.validate(ET.fromstring(text))
    suite = ET.fromstring(text).find("testsuite")
    assert (suite.get("tests"), suite.get("errors"), suite.get("skipped")) == ("2", "0", "1")
    assert suite.find("testcase/skipped").get("message") == RESULTS[0].reason


def test_shows_an_error_where_nothing_was_judged(schema):
    text = junit_xml((outcome(Verdict.NONE),))
    schema.validate(ET.fromstring(text))
    suite = ET.fromstring(text).find("testsuite")
    assert (suite.get("tests"), suite.get("errors"), suite.get("skipped")) == ("2", "1", "1")


def test_does_not_pass_a_run_in_which_nothing_was_judged():
    root = ET.fromstring(junit_xml((outcome(),)))
    assert (root.get("tests"), root.get("errors")) == ("1", "1")
    assert root.find("testsuite/testcase/error").get("message") == "nothing was judged"


def test_counts_over_all_suites():
    root = ET.fromstring(junit_xml((OUTCOME, OUTCOME)))
    assert (root.get("tests"), root.get("failures"), root.get("errors")) == ("12", "4", "4")


def test_tells_what_to_try_next_in_a_failure():
    root = ET.fromstring(junit_xml((OUTCOME,)))
    assert all(advice in "".join(root.itertext()) for result in RESULTS for advice in result.advice)


def test_escapes_whatever_a_device_says():
    text = junit_xml((hostile(),))
    assert text.isascii()
    assert not any(ord(char) < 32 for char in text.replace("\n", ""))
    shown = ET.fromstring(text).find("testsuite/properties/property[@name='title']").get("value")
    assert shown.startswith(
        "\\x1b]0;x\\x07\\x1b[2J[bold]a[/bold] <b>&amp;]]>\\r\\nPASS\\u202e\\ud800\\ufffe\\x00"
    )


def test_names_a_test_like_its_check_whatever_the_run_came_to():
    names = [
        [
            (case.get("classname"), case.get("name"))
            for case in ET.fromstring(junit_xml((one,))).iter("testcase")
        ]
        for one in (outcome(Verdict.PASS, unit="a"), outcome(Verdict.FAIL, unit="b"))
    ]
    assert names[0] == names[1] == [("propsoff.first-look", "delivery")]


def test_tells_what_was_tested_as_properties(schema):
    text = junit_xml((outcome(Verdict.PASS, unit="left wing", module="bought in May"),))
    schema.validate(ET.fromstring(text))
    told = {one.get("name"): one.get("value") for one in ET.fromstring(text).iter("property")}
    assert (told["plan"], told["unit"], told["module"]) == ("first-look", "left wing", "bought in May")
    assert told["firmware transmitter"] == "dunlin-tx 1.4.0"
    assert "unit" not in junit_xml((OUTCOME,)).split("<testcase")[0].replace("unit 004", "").replace(
        "junit", ""
    )


def test_gives_suites_of_one_plan_names_of_their_own(schema):
    units = ["left wing", "right wing", "left wing", ""]
    text = junit_xml([outcome(Verdict.PASS, unit=unit) for unit in units] + [outcome(plan_name="other")])
    schema.validate(ET.fromstring(text))
    assert [suite.get("name") for suite in ET.fromstring(text).iter("testsuite")] == [
        "first-look (left wing)", "first-look (right wing)", "first-look (left wing) #2", "first-look",
        "other",
    ]  # fmt: skip
