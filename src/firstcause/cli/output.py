"""What the command line prints, and how errors become one sentence and an exit code."""

from __future__ import annotations

import json
import textwrap
from collections.abc import Iterable, Sequence
from typing import Any

import click

from firstcause.errors import CarError, CaseError, FirstcauseError, KnowledgeError, LogError

WIDTH = 100
FOUND_WANTING = 1
CANNOT_BE_DONE = 3
FILE_IS_BAD = 4
CAR_DID_IT = 5


def exit_code(error: FirstcauseError) -> int:
    """The exit code of an error family."""
    if isinstance(error, CarError):
        return CAR_DID_IT
    if isinstance(error, CaseError | KnowledgeError | LogError):
        return FILE_IS_BAD
    return CANNOT_BE_DONE


class SayErrors(click.Group):
    """A group that turns the project's errors into one sentence on standard error and an exit code."""

    def invoke(self, ctx: click.Context) -> Any:
        try:
            return super().invoke(ctx)
        except FirstcauseError as error:
            click.echo(f"firstcause: {error}", err=True)
            ctx.exit(exit_code(error))
        except BrokenPipeError:
            raise  # whoever read the output has closed it, as `head` does: click ends the program without a word
        except OSError as error:
            click.echo(
                f"firstcause: {error.strerror or error}: {error.filename or 'a file'}. Nothing was lost.", err=True
            )
            ctx.exit(CANNOT_BE_DONE)


def as_json(value: object) -> None:
    """Print a value as JSON with stable keys."""
    click.echo(json.dumps(value, indent=1, ensure_ascii=False, sort_keys=False, default=str))


def heading(text: str) -> None:
    """A section heading."""
    click.echo()
    click.secho(text, bold=True)


def line(text: str, indent: int = 2) -> None:
    """One paragraph, wrapped and indented."""
    pad = " " * indent
    click.echo(textwrap.fill(text, WIDTH, initial_indent=pad, subsequent_indent=pad))


def table(rows: Iterable[Sequence[str]], indent: int = 2, right: Iterable[int] = ()) -> None:
    """Rows in columns as wide as they need to be; the last column wraps."""
    rows = [list(row) for row in rows]
    if not rows:
        return
    columns = max(len(row) for row in rows)
    widths = [max(len(row[c]) for row in rows if len(row) > c) for c in range(columns)]
    right = set(right)
    for row in rows:
        cells = [
            text.rjust(widths[c]) if c in right else text.ljust(widths[c]) for c, text in enumerate(row[: columns - 1])
        ]
        start = " " * indent + "  ".join(cells) + ("  " if cells else "")
        rest = row[columns - 1] if len(row) == columns else ""
        click.echo(
            textwrap.fill(rest, max(WIDTH, len(start) + 30), initial_indent=start, subsequent_indent=" " * len(start))
            if rest
            else start.rstrip()
        )


def bar(share: float, width: int = 20) -> str:
    """A share between 0 and 1 as a bar of blocks, never quite full."""
    full = min(round(share * width), width - 1)
    return "█" * full + "·" * (width - full)
