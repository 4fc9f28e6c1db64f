"""`firstcause`: the commands, loaded only when they are called."""

from __future__ import annotations

import importlib
import os
from pathlib import Path
from typing import Any

import click

from firstcause import __version__
from firstcause.cli.output import SayErrors
from firstcause.cli.own_knowledge import ENVIRONMENT, OWN_HELP

_COMMANDS: dict[str, tuple[str, str, str]] = {
    "tryout": ("firstcause.cli.tryout.command", "tryout", "Play two whole cases on the virtual car."),
    "weigh": ("firstcause.cli.weigh", "weigh", "Weigh a case written by hand: suspects, steps, ledger, objections."),
    "plan": ("firstcause.cli.plan", "plan", "Plan the drive that is to prove a repair."),
    "prove": ("firstcause.cli.prove", "prove", "Judge a recorded drive: conditions met, what could still hide."),
    "outlook": ("firstcause.cli.outlook", "outlook", "Options side by side: price, return and risk over time."),
    "follow-up": ("firstcause.cli.follow_up", "follow_up", "What to look at again, and when; as a calendar too."),
    "handover": ("firstcause.cli.handover", "handover", "Write the owner's page and the technician's record."),
    "papers": ("firstcause.cli.papers", "papers", "Estimate, work order, invoice; what the rules ask of them."),
    "case": ("firstcause.cli.case", "case", "The casebook: list, take in, write out, export, import, check."),
    "link": ("firstcause.cli.link", "link", "The car on the cable: record live data, export recordings."),
    "snapshot": ("firstcause.cli.car", "snapshot", "Save all evidence from a car before anything erases it."),
    "erase": ("firstcause.cli.car", "erase", "Erase codes, behind its guard."),
    "export-model": ("firstcause.cli.export_model", "export_model", "A case's model, for any Bayesian-network tool."),
    "knowledge": ("firstcause.cli.knowledge", "knowledge", "The knowledge base: check it, look things up."),
    "bulletins": ("firstcause.cli.bulletins", "bulletins", "Public recalls and bulletins, kept here and searched."),
    "virtual-car": ("firstcause.cli.virtual_car", "virtual_car", "A car to learn on: make it, work on it."),
    "trial": ("firstcause.cli.trial", "trial", "Policies judged on virtual cars with hidden faults."),
    "serve": ("firstcause.cli.serve", "serve", "The page for the phone or tablet, on this machine."),
}


class _Commands(SayErrors):
    """Knows every command by name and imports it on use, so that `--help` is quick."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(_COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in _COMMANDS:
            return None
        module, attribute, _ = _COMMANDS[cmd_name]
        # The engine's matrices are small: on a busy machine several threads for each make them two to ten times slower.
        os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
        command: click.Command = getattr(importlib.import_module(module), attribute)
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([(name, what) for name, (_, _, what) in _COMMANDS.items()])


@click.group(cls=_Commands, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="firstcause")
@click.option("--own", type=click.Path(path_type=Path), default=None, envvar=ENVIRONMENT, help=OWN_HELP)
def main(**_: Any) -> None:
    """A technician's casebook: from a lit warning lamp to a proven repair and an honest hand-over.

    \b
    Exit codes: 0 done, 1 judged and found wanting, 2 wrong use of the command,
    3 cannot be done as asked, 4 a file cannot be read as it stands, 5 the car or the adapter did it.
    """
