"""The folder of own knowledge entries: said once for every command, before it or in the environment."""

from __future__ import annotations

from pathlib import Path

import click

ENVIRONMENT = "FIRSTCAUSE_KNOWLEDGE"
OWN_HELP = "A folder with own entries, laid over the shipped ones: OWN/<pack>/faults/my-fault.toml."


def own_folder() -> Path | None:
    """The folder named by `firstcause --own FOLDER` or the environment variable; None when neither is said."""
    context = click.get_current_context(silent=True)
    return None if context is None else context.find_root().params.get("own")
