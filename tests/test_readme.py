"""What the README shows is what the program prints."""

from __future__ import annotations

import re
from pathlib import Path

from click.testing import CliRunner

from firstcause.cli.main import main
from firstcause.knowledge.base import load

README = (Path(__file__).parents[1] / "README.md").read_text(encoding="utf-8")


def test_the_written_case_gives_the_output_shown_below_it(tmp_path: Path) -> None:
    case = re.search(r"```toml\n(.*?)```", README, re.DOTALL)
    shown = re.search(r"and weighed \(shortened\):\n\n(.*?)\n\nEvery read-out", README, re.DOTALL)
    assert case is not None
    assert shown is not None
    path = tmp_path / "case.toml"
    path.write_text(case.group(1), encoding="utf-8")
    printed = CliRunner().invoke(main, ["weigh", str(path)]).output

    lines = [line[4:] for line in shown.group(1).splitlines() if line.strip() and "…" not in line]
    assert len(lines) > 8
    for line in lines:
        assert line in printed.splitlines(), line


def test_the_counts_of_the_knowledge_base_are_those_of_the_pack() -> None:
    pack = load()
    assert f"{len(pack.faults)} faults, {len(pack.tests)} tests and {len(pack.repairs)} repairs" in README


def test_the_counts_of_the_neighbours_are_those_of_their_packs() -> None:
    for name in ("fuel-trim", "no-start"):
        pack = load(name)
        assert f"--pack {name}` ({len(pack.faults)} faults, {len(pack.tests)} tests)" in README
