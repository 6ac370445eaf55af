"""What does junit.xml hold? One test suite a plan, one test case a check, for whatever reads such files.

Common practice, no standard: `failure` for fail, `error` for inconclusive and error. A check that could not
be judged is never shown as passed; `skipped`, with its reason, is one that the plan let go unjudged.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import Final
from xml.etree import ElementTree as ET

from harness.clock import label_of
from harness.recording.header import plan_sha256
from harness.recording.model import UNIT_FACT
from harness.report.causes import one_line
from harness.report.document import Outcome
from harness.report.escape import clean
from harness.report.figures import figures
from harness.report.text import NAMED, details, headline
from harness.verdict import CheckResult, Verdict

_TAGS: Final = {
    Verdict.FAIL: "failure",
    Verdict.INCONCLUSIVE: "error",
    Verdict.ERROR: "error",
    Verdict.NONE: "skipped",
}
_NOTHING: Final = CheckResult(
    name="verdict", kind="verdict", verdict=Verdict.INCONCLUSIVE, reason="nothing was judged"
)


def junit_xml(outcomes: Sequence[Outcome]) -> str:
    """Return an XML document in ASCII with a newline at the end. Foreign text is escaped."""
    root = ET.Element("testsuites")
    for outcome, name in zip(outcomes, _names(outcomes), strict=True):
        root.append(_suite(outcome, name))
    _count(root, list(root.iter("testcase")))
    root.set("time", f"{sum(outcome.judgement.link_seconds for outcome in outcomes):.3f}")
    ET.indent(root)
    data: bytes = ET.tostring(root, encoding="us-ascii", xml_declaration=True)
    return data.decode("ascii") + "\n"


def _names(outcomes: Sequence[Outcome]) -> list[str]:
    """Return a name for each suite: its plan's, with the unit or a number where several runs share it."""
    names = [clean(outcome.header.plan_name) for outcome in outcomes]
    units = [clean(outcome.header.facts.get(UNIT_FACT, "")) for outcome in outcomes]
    shared = {name for name in names if names.count(name) > 1}
    full = [
        f"{name} ({unit})" if name in shared and unit else name
        for name, unit in zip(names, units, strict=True)
    ]
    seen: Counter[str] = Counter()
    for place, name in enumerate(full):
        seen[name] += 1
        if seen[name] > 1:
            full[place] = f"{name} #{seen[name]}"
    return full


def _suite(outcome: Outcome, name: str) -> ET.Element:
    judgement, header = outcome.judgement, outcome.header
    suite = ET.Element("testsuite", name=name)
    judged = any(result.verdict is not Verdict.NONE for result in judgement.results)
    results = judgement.results if judged else (*judgement.results, _NOTHING)
    classname, causes = f"propsoff.{clean(header.plan_name)}", judgement.causes
    cases = [_case(result, classname, one_line(causes, result.name)) for result in results]
    _count(suite, cases)
    skipped = sum(case.find("skipped") is not None for case in cases)
    if skipped:
        suite.set("skipped", str(skipped))
    suite.set("time", f"{judgement.link_seconds:.3f}")
    if header.wall_seconds:
        suite.set("timestamp", label_of(header.wall_seconds).removesuffix("Z"))
    suite.append(_properties(outcome))
    suite.extend(cases)
    lines = [headline(outcome), *map(clean, judgement.notes)]
    ET.SubElement(suite, "system-out").text = "\n".join(lines)
    return suite


def _count(element: ET.Element, cases: Sequence[ET.Element]) -> None:
    element.set("tests", str(len(cases)))
    for attribute, tag in (("failures", "failure"), ("errors", "error")):
        element.set(attribute, str(sum(case.find(tag) is not None for case in cases)))


def _properties(outcome: Outcome) -> ET.Element:
    judgement, header = outcome.judgement, outcome.header
    units = sorted(judgement.units.items())
    values = {
        "plan": header.plan_name,
        "plan sha256": plan_sha256(header.plan_text),
        "title": outcome.title,
        "verdict": judgement.verdict.value,
        **{fact: header.facts[fact] for fact in NAMED if fact in header.facts},
        **{f"firmware {role}": f"{one.firmware} {one.version}".strip() for role, one in units},
        "rig": header.rig_name,
        "hardware": "yes" if header.hardware else "no",
        "seed": str(header.seed),
        "clock": header.clock,
        "packets sent": str(judgement.packets_sent),
        "packets applied": str(judgement.packets_applied),
        **{f"version {name}": version for name, version in header.versions},
        **{f"device {role}": words for role, words in sorted(judgement.devices.items())},
    }
    properties = ET.Element("properties")
    for name, value in values.items():
        ET.SubElement(properties, "property", name=clean(name), value=clean(value))
    return properties


def _case(result: CheckResult, classname: str, cause: str) -> ET.Element:
    """Return one test case, named like its check and so for ever.

    Its time is 0 because judging takes no link time, which stands at the suite.
    """
    case = ET.Element("testcase", name=clean(result.name), classname=classname, time="0")
    tag = _TAGS.get(result.verdict)
    if tag is None:
        ET.SubElement(case, "system-out").text = figures(result).line() or clean(result.reason)
    else:
        trouble = ET.SubElement(case, tag, message=clean(result.reason))
        if tag != "skipped":  # which has no type, by common practice
            trouble.set("type", result.verdict.value)
        trouble.text = "\n".join([details(result), *([f"  {cause}"] if cause else [])])
    return case
