"""`firstcause export-model CASE --format bif`: the compiled model of a case, for any Bayesian-network tool."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from firstcause.cli.case import opened_casebook
from firstcause.cli.output import line
from firstcause.cli.own_knowledge import own_folder

if TYPE_CHECKING:
    from firstcause.casebook.case import Case


@click.command("export-model")
@click.argument("case")
@click.option(
    "--casebook", "store_path", type=click.Path(dir_okay=False, path_type=Path), default=None,
    help="Take CASE as the number of a case in this casebook; without it CASE is a file.",
)  # fmt: skip
@click.option("--format", "form", type=click.Choice(["bif"]), default="bif", show_default=True, help="The form.")
@click.option(
    "--out", type=click.Path(dir_okay=False, path_type=Path), default=None, help="Write here, not to standard output."
)
def export_model(case: str, store_path: Path | None, form: str, out: Path | None) -> None:
    """Write what a case is weighed with as a Bayesian network: every cause, every finding, the evidence to set.

    \b
    Any tool that reads the BIF interchange format can then check our beliefs (docs/export-model.md).
    """
    from firstcause.casebook.interchange import model_as_bif
    from firstcause.casebook.weighing import knowledge_of

    told = _case(case, store_path)
    exported = model_as_bif(told, knowledge_of(told, own_folder()), Path(case).name)
    if out is None:
        click.echo(exported.text, nl=False)
        return
    out.write_text(exported.text, encoding="utf-8")
    causes, seen = len(exported.variables), len(exported.evidence)
    line(f"{out}: {causes} causes, {seen} findings; the evidence to set stands at its head.", 0)


def _case(case: str, store_path: Path | None) -> Case:
    from firstcause.casebook.case import replay
    from firstcause.casebook.written import read_case_file

    if store_path is None:
        return replay(read_case_file(Path(case), at=datetime.now(UTC)).events)
    with opened_casebook(store_path) as store:
        return store.case(case)
