"""The bench guide says what the harness says: its messages, links, sections and options are real."""

import re
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
GUIDE = (ROOT / "shared" / "bench.md").read_text(encoding="utf-8")
README = (ROOT / "README.md").read_text(encoding="utf-8")
TROUBLE = GUIDE[GUIDE.index("## Troubleshooting by symptom") :].split("\n### ")[0]
ROWS = [line.split("|")[1] for line in TROUBLE.splitlines() if line.startswith("| ")][1:]
MESSAGES = [message for row in ROWS for message in re.findall(r"`([^`]+)`", row)]


@cache
def words_of_the_source():
    """Every text in the harness, those that go on in the next line put together."""
    text = "\n".join(path.read_text(encoding="utf-8") for path in sorted(ROOT.glob("harness/**/*.py")))
    return re.sub(r'"\s*\n\s*f?"', "", text)


def anchors(text):
    """The headings of a page as links name them."""
    heads = re.findall(r"^#+ (.+)$", text, re.MULTILINE)
    return {re.sub(r"[^\w\- ]", "", head.lower()).replace(" ", "-") for head in heads}


def test_the_table_of_symptoms_is_long():
    assert len(MESSAGES) >= 12


@pytest.mark.parametrize("message", MESSAGES)
def test_each_message_among_the_symptoms_is_one_that_is_said(message):
    pieces = [piece.strip() for piece in message.split("...") if len(piece.strip()) > 2]
    assert pieces
    for piece in pieces:
        assert piece in words_of_the_source(), piece


def test_each_link_leads_to_a_section_or_a_file():
    for target in re.findall(r"\]\(([^)]+)\)", GUIDE):
        if target.startswith("#"):
            assert target[1:] in anchors(GUIDE), target
        else:
            assert (ROOT / "shared" / target).exists(), target


def test_readme_leads_to_the_guide_and_shows_the_wiring():
    assert "(shared/bench.md)" in README
    assert "(shared/wiring.svg)" in README


def test_each_command_and_option_in_the_guide_exists(capsys):
    from harness.cli import main

    used = re.findall(r"propsoff (ports|rig|run|mock|judge|check|explore|explain)\b([^\n`]*)", GUIDE)
    assert len(used) > 20
    told = {}
    for command, rest in used:
        if command not in told:
            with pytest.raises(SystemExit):
                main([command, "--help"])
            told[command] = capsys.readouterr().out
        for option in re.findall(r"(?<![\w-])--[a-z][a-z-]+", rest.split("#")[0]):
            assert option in told[command], (command, option)
