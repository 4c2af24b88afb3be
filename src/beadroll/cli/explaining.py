"""``explain``: what a rule looks at, the sentence it gives, the table behind it, and a worked example."""

from __future__ import annotations

import click

from beadroll.cli.session import Session, shared


@click.command()
@click.argument("code", default="")
@shared
def explain(session: Session, code: str) -> None:
    """Explain the rule that gives the finding CODE, such as RULE-IQI; without CODE, list the rules."""
    from beadroll.findings import catalogue
    from beadroll.rules import RULES
    from beadroll.rules import explain as explained

    screen = session.screen
    if not code:
        rows = [
            (each, catalogue()[each].severity.value, catalogue()[each].text) for rule in RULES for each in rule.codes
        ]
        screen.table(("code", "severity", "sentence"), rows)
        screen.result({"ok": True, "rules": [{"code": c, "severity": s, "text": t} for c, s, t in rows]})
        return
    try:
        rule, tables, words = explained(code.upper())
    except KeyError:
        raise click.BadParameter(f"{code!r} is no rule's; `beadroll explain` lists them", param_hint="CODE") from None
    said = catalogue()[code.upper()]
    screen.say(f"{said.code}  ({said.severity.value})", "bold")
    screen.say(f"  {words}")
    screen.say(f"  It says: {said.text}")
    screen.say(f"  What to do: {said.remedy}")
    if rule.example:
        screen.say(f"  Example: {rule.example}")
    for each in tables:
        screen.say()
        screen.say(f"  {each.title}: {each.citation}")
        screen.say(f"  evidence: {each.evidence}. {each.note}")
        screen.table(each.columns, [tuple("" if row[c] is None else row[c] for c in each.columns) for row in each.rows])
    screen.result({"ok": True, "code": said.code, "words": words, "example": rule.example, "tables": tables})
