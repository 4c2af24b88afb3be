"""Every rule explains itself on the terminal."""

from __future__ import annotations

import json

import pytest

from beadroll.cli.commands import outcome
from beadroll.rules import RULES

CODES = [code for rule in RULES for code in rule.codes]


def test_a_rule_is_shown_with_its_words_table_evidence_and_example(capfd):
    assert outcome(["explain", "RULE-UNSHARPNESS"]) == 0
    shown = " ".join(capfd.readouterr().out.split())
    for part in ("T-274.2", "corroborated", "3.2 x 12.7 / 500 = 0.081 mm", "0.51", "What to do"):
        assert part in shown


@pytest.mark.parametrize("code", CODES)
def test_every_code_is_explained_as_json(capfd, code):
    assert outcome(["explain", code.lower(), "--json"]) == 0
    told = json.loads(capfd.readouterr().out)
    assert told["code"] == code
    assert told["words"].endswith(".")
    assert all(table["evidence"] and table["rows"] for table in told["tables"])


def test_without_a_code_every_rule_is_listed(capfd):
    assert outcome(["explain", "--json"]) == 0
    assert [rule["code"] for rule in json.loads(capfd.readouterr().out)["rules"]] == CODES


def test_an_unknown_code_is_wrong_usage_and_says_where_the_list_is(capfd):
    assert outcome(["explain", "RULE-NOTHING"]) == 2
    assert "beadroll explain" in capfd.readouterr().err
