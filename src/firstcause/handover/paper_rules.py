"""The content lists of repair papers, one file a jurisdiction: which clause asks for what, and how it is looked at."""

from __future__ import annotations

import tomllib
from functools import cache
from pathlib import Path
from typing import Literal

from pydantic import ConfigDict, Field

from firstcause.casebook.events import Strict
from firstcause.errors import RequestError

RULES = Path(__file__).parent / "rules"
PaperKind = Literal["estimate", "authorisation", "invoice", "parts", "records"]


class Clause(Strict):
    """One thing that a law asks of the papers. `check` names the look at it; empty: nothing a program can see."""

    id: str
    paper: PaperKind
    cite: str
    mark: Literal["read", "from-memory"]
    says: str
    check: str = ""


class RuleSet(Strict):
    """The list of one jurisdiction. Never legal advice; `warning` says how far the text was read."""

    model_config = ConfigDict(extra="forbid", frozen=True, populate_by_name=True)

    id: str
    name: str
    law: str
    warning: str
    keep_years: int
    clauses: tuple[Clause, ...] = Field(alias="clause")


@cache
def rule_sets() -> dict[str, RuleSet]:
    """All lists that the package carries, by their id."""
    found = (RuleSet.model_validate(tomllib.loads(path.read_text("utf-8"))) for path in sorted(RULES.glob("*.toml")))
    return {rules.id: rules for rules in found}


def rules_named(name: str) -> RuleSet:
    """The list of that id; raises RequestError and names the ones there are."""
    try:
        return rule_sets()[name]
    except KeyError:
        known = ", ".join(rule_sets())
        raise RequestError(f"There is no list of rules {name!r}. Choose one of: {known}.") from None
