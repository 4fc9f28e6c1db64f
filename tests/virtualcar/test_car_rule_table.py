"""The state rules of stored faults as one table: paragraph, mark, what the cycles were, what must stand afterwards.

Paragraphs: 13 CCR 1968.2 in its text of 2007. Mark R: read in a stored copy of the official text; R/M: scope or part
read, numbers from memory; M: from memory, so that the row checks our reading of the rule and not the regulation.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

import pytest

from firstcause.virtualcar.code_memory import CodeMemory, Conditions, Family

HERE, ELSEWHERE = Conditions(720.0, 20.0, warm=True), Conditions(3000.0, 70.0, warm=True)
FRAME = {0x0C: (720.0,)}
CODES: dict[Family, str] = {
    "misfire": "P0303",
    "fuel": "P0171",
    "general": "P0203",
    "catalyst": "P0420",
    "evap": "P0442",
}
"""Cycles, one letter each, `x12` repeats the letter before:
F fault seen, f fault seen in other conditions, q monitor passed in similar conditions, e passed elsewhere,
n monitor did not run, D passed and minimum drive, d minimum drive only, c passed but the engine never warmed up,
B both seen and passed in one cycle, X a tool's erase between two cycles."""


@dataclass(frozen=True)
class Row:
    """One rule. `stands`: P pending, C confirmed, L lamp commanded, K permanent; in that order."""

    cite: str
    mark: str
    rule: str
    family: Family
    cycles: str
    stands: str


TABLE = (
    Row("(d)(2.2.1)", "M", "first detection: pending only", "general", "F", "P"),
    Row("(d)(2.2.2)", "M", "again in the next cycle: confirmed, lamp", "general", "FF", "PCLK"),
    Row("(d)(2.2.2)", "M", "again in the next cycle in which it is monitored", "general", "FnnF", "PCLK"),
    Row("(d)(2.2.2)", "M", "not again in the next monitored cycle: pending erased", "general", "Fq", ""),
    Row("(d)(2.2.2)", "M", "a cycle without monitoring erases nothing", "general", "Fnnn", "P"),
    Row("(d)(2.2.5)", "M", "what commands the lamp becomes permanent before the cycle ends", "misfire", "FF", "PCLK"),
    Row("(d)(2.3)", "M", "two passing cycles: the lamp stays", "general", "FFqq", "CLK"),
    Row("(d)(2.3)", "M", "three passing cycles: the lamp goes", "general", "FFqqq", "C"),
    Row("(d)(2.3)", "M", "cycles without monitoring do not count towards it", "general", "FFqqnnn", "CLK"),
    Row("(d)(2.3)", "M", "seen again: counting starts anew", "general", "FFqqFqq", "CLK"),
    Row("(d)(2.4)", "M", "39 warm-ups after the lamp went: still confirmed", "general", "FFqqqqx39", "C"),
    Row("(d)(2.4)", "M", "40 warm-ups: erased", "general", "FFqqqqx40", ""),
    Row("(d)(2.4)", "M", "cycles that never warm up do not count", "general", "FFqqqcx60", "C"),
    Row("(d)(2.5.1)", "R", "permanent goes when the system itself turns the lamp off", "misfire", "FFqqq", "C"),
    Row("(d)(2.5.2)", "R", "a tool erases all but the permanent code", "misfire", "FFX", "K"),
    Row("(d)(2.5.2)(A)", "R", "with a ratio: one passing cycle erases it", "catalyst", "FFXq", ""),
    Row("(d)(2.5.2)(A)", "R", "with a ratio: not monitored, it stays", "catalyst", "FFXd", "K"),
    Row("(d)(2.5.2)(A)", "R", "with a ratio: passed and failed in one cycle, it stays", "evap", "FFXB", "PK"),
    Row("(d)(2.5.2)(B)", "R/M", "without one: passing alone is not enough", "misfire", "FFXq", "K"),
    Row("(d)(2.5.2)(B)", "R/M", "without one: the drive alone is not enough", "misfire", "FFXd", "K"),
    Row("(d)(2.5.2)(B)", "R/M", "without one: both in one cycle", "misfire", "FFXD", ""),
    Row("(d)(2.5.2)(B)(iii)", "M", "both in different cycles", "misfire", "FFXqnd", ""),
    Row("(d)(2.5.2)(B)(ii)", "M", "seen again since: the proof is taken back", "misfire", "FFXqFd", "PK"),
    Row("(d)(2.5.2)(B)", "R/M", "circuits have no ratio either", "general", "FFXq", "K"),
    Row("(d)(2.5.2)(B)", "R/M", "fuel has no ratio either", "fuel", "FFXD", ""),
    Row("(d)(2.5.2)", "M", "a second erase starts the evidence anew", "misfire", "FFXqXd", "K"),
    Row("(e)(3.4.2)(B)", "M", "misfire again in the next cycle, any conditions", "misfire", "Ff", "PCLK"),
    Row("(e)(3.4.2)(B)", "M", "misfire in other conditions two cycles later: not confirmed", "misfire", "Fef", "P"),
    Row("(e)(3.4.2)(B)", "M", "misfire in similar conditions later: confirmed", "misfire", "FeeF", "PCLK"),
    Row("(e)(3.4.1)(C)", "M", "quiet in similar conditions: pending erased", "misfire", "Fq", ""),
    Row("(e)(3.4.1)(C)", "M", "79 cycles elsewhere: still pending", "misfire", "Fex79", "P"),
    Row("(e)(3.4.1)(C)", "M", "80 cycles elsewhere: erased", "misfire", "Fex80", ""),
    Row("(e)(3.4.5)", "M", "three quiet cycles in similar conditions: lamp off", "misfire", "FFqqq", "C"),
    Row("(e)(3.4.5)", "M", "quiet cycles elsewhere do not count, nor break the row", "misfire", "FFqeqeq", "C"),
    Row("(e)(3.4.5)", "M", "two of them and many elsewhere: lamp stays", "misfire", "FFqqex10", "CLK"),
    Row("(e)(6.4.1)", "R", "fuel: pending at once", "fuel", "F", "P"),
    Row("(e)(6.4.2)", "R", "fuel: again in the next cycle, any conditions", "fuel", "Ff", "PCLK"),
    Row("(e)(6.4.2)", "R", "fuel: again in the next cycle with similar conditions", "fuel", "FeF", "PCLK"),
    Row("(e)(6.4.3)", "R", "fuel: quiet in similar conditions, erased", "fuel", "Fq", ""),
    Row("(e)(6.4.3)", "R", "fuel: 79 cycles without similar conditions, still pending", "fuel", "Fex79", "P"),
    Row("(e)(6.4.3)", "R", "fuel: 80 cycles without similar conditions, erased", "fuel", "Fex80", ""),
    Row("(e)(6.4.6)", "M", "fuel: three quiet cycles in similar conditions, lamp off", "fuel", "FFqqq", "C"),
)  # fmt: skip


def play(row: Row) -> CodeMemory:
    """Drive the cycles of a row and close them all."""
    memory = CodeMemory()
    for letter, times in re.findall(r"([A-Za-z])(?:x(\d+))?", row.cycles):
        for _ in range(int(times or 1)):
            _cycle(memory, row.family, letter)
    return memory


def _cycle(memory: CodeMemory, family: Family, letter: str) -> None:
    if letter == "X":
        memory.erase()
        return
    judged_alike = family in ("misfire", "fuel")
    if letter in "FqDcB":
        memory.note_conditions(HERE)
    elif letter in "fe":
        memory.note_conditions(ELSEWHERE)
    if letter in "FfB":
        where = HERE if letter in "FB" else ELSEWHERE
        memory.detect(CODES[family], family, where if judged_alike else None, FRAME)
    if letter in "qeDcB":
        memory.passed(family)
    memory.power_down()
    memory.close_cycle(warm_up=letter != "c", minimum_drive=letter in "Dd")


@pytest.mark.parametrize("row", TABLE, ids=lambda row: f"{row.cite} {row.rule}")
def test_rule(row: Row) -> None:
    """See the row's paragraph and mark."""
    memory = play(row)
    code = CODES[row.family]
    stands = "".join(
        letter
        for letter, there in (
            ("P", code in memory.of("pending")),
            ("C", code in memory.of("confirmed")),
            ("L", memory.lamp_commanded),
            ("K", code in memory.of("permanent")),
        )
        if there
    )
    assert stands == row.stands


def test_every_row_is_marked() -> None:
    """Nobody may take a recalled rule for a read one."""
    assert {row.mark for row in TABLE} == {"R", "M", "R/M"}
    assert all(row.cite.startswith("(") for row in TABLE)
