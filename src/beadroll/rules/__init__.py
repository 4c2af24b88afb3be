"""What codes and chronology require: records in, findings out. Knows no files and never judges a weld.

``check`` runs every rule over a handover's record; ``RULES`` names them; ``explain`` shows one with its table and a
worked example. Chain rules that need no table of a standard (every reject answered, every reshoot there) belong to
reconciliation, not here.
"""

from __future__ import annotations

from beadroll.rules.catalog import RULES, Rule, check, explain

__all__ = ["RULES", "Rule", "check", "explain"]
